#include "tests/support/test.h"

#include "tests/support/axis_contract.h"

static const struct axis_case *AXES;
static int AXIS_COUNT;
#define FOR_EACH_AXIS(a) for (const struct axis_case *a = AXES; a < AXES + AXIS_COUNT; a++)

/* Of a way that a rail goes in a second. */
static int64_t way(const struct axis_case *a, int64_t counts)
{
    const int64_t shrunk = a->shrink ? counts / a->shrink : counts;
    return shrunk ? shrunk : 1;
}

/* An axis without a zero may have to be told where it stands before it goes anywhere. */
static void place(struct rig *g)
{
    if (!(g->axis->ops->caps & AXIS_BY_PICTURE)) return;
    assert_int_equal(axis_move_to(g->axis, 5, NULL), E_STATE);
    assert_int_equal(axis_here(g->axis, 0, NULL), 0);
}

static struct rig *ready(const struct axis_case *a)
{
    struct rig *g = a->open();
    assert_true(rig_until(g, AXIS_REST, 1000000));
    place(g);
    if (!(g->axis->ops->caps & AXIS_HOMES)) return g;
    assert_int_equal(axis_home(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 60000000));
    rig_forget_edges(g);
    return g;
}

static void nothing_moves_on_opening(void **state)
{
    (void)state;
    FOR_EACH_AXIS(a)
    {
        struct rig *g = a->open();
        assert_int_equal(rig_state(g).phase, AXIS_STARTING);
        assert_true(rig_until(g, AXIS_REST, 1000000));
        rig_run_us(g, 5000000 / a->hurry);
        assert_int_equal(g->edges, 0);
        assert_int_not_equal(rig_state(g).known, AXIS_KNOWN);
        rig_close(g);
    }
}

static void homing_makes_the_position_known(void **state)
{
    (void)state;
    FOR_EACH_AXIS(a)
    {
        struct rig *g = ready(a);
        struct axis_state st = rig_state(g);
        if (g->axis->ops->caps & AXIS_HOMES) {
            assert_int_equal(st.known, AXIS_KNOWN);
            /* Zero is where the switch opens, the near end of the track; one step late, for two equal
             * samples. */
            assert_int_equal(g->place - st.position_counts, -1);
            assert_true(g->place > 0);
        }
        rig_close(g);
    }
}

static void a_move_ends_where_it_was_sent(void **state)
{
    (void)state;
    static const int64_t TARGETS[] = {1000, 1001, 1000, 90000, 73, 1073, 1073};
    FOR_EACH_AXIS(a)
    {
        struct rig *g = ready(a);
        int64_t zero = rig_state(g).known == AXIS_UNKNOWN ? 0 : g->place - rig_state(g).position_counts;
        for (size_t i = 0; i < sizeof TARGETS / sizeof *TARGETS; i++) {
            const int64_t target = way(a, TARGETS[i]) + (a->shrink && i % 2 ? 4 : 0);
            assert_int_equal(axis_move_to(g->axis, target, NULL), 0);
            assert_int_equal(rig_state(g).phase, AXIS_MOVING);
            assert_true(rig_until(g, AXIS_REST, 20000000));
            struct axis_state st = rig_state(g);
            assert_int_equal(st.position_counts, target);
            assert_int_equal(st.target_counts, target);
            assert_int_equal(g->place - zero, target);
            assert_true(st.rest_at_us <= sched_now_us(g->sched));
        }
        rig_close(g);
    }
}

static void asking_takes_no_time(void **state)
{
    (void)state;
    FOR_EACH_AXIS(a)
    {
        struct rig *g = ready(a);
        int64_t now = sched_now_us(g->sched);
        struct axis_state st;
        assert_int_equal(axis_move_to(g->axis, way(a, 5000), NULL), 0);
        assert_int_equal(axis_poll(g->axis, &st, NULL), 0);
        assert_int_equal(axis_halt(g->axis, NULL), 0);
        /* Waiting for the line alone would take some milliseconds. */
        assert_true(sched_now_us(g->sched) - now <= (sched_is_virtual(g->sched) ? 0 : 1000));
        rig_close(g);
    }
}

static void one_thing_at_a_time(void **state)
{
    (void)state;
    FOR_EACH_AXIS(a)
    {
        struct rig *g = ready(a);
        struct err why = {0};
        assert_int_equal(axis_move_to(g->axis, way(a, 5000), NULL), 0);
        assert_int_equal(axis_move_to(g->axis, way(a, 6000), &why), E_STATE);
        assert_true(why.text[0] != '\0');
        if (g->axis->ops->caps & AXIS_HOMES) assert_int_equal(axis_home(g->axis, NULL), E_STATE);
        assert_true(rig_until(g, AXIS_REST, 20000000));
        assert_int_equal(rig_state(g).position_counts, way(a, 5000));
        rig_close(g);
    }
}

static void halt_is_legal_in_any_state_and_clear_ends_it(void **state)
{
    (void)state;
    FOR_EACH_AXIS(a)
    {
        for (int when = 0; when < 4; when++) {
            struct rig *g = when ? ready(a) : a->open();
            if (when == 2) assert_int_equal(axis_move_to(g->axis, way(a, 20000), NULL), 0);
            if (when == 3 && (g->axis->ops->caps & AXIS_HOMES)) assert_int_equal(axis_home(g->axis, NULL), 0);
            rig_run_us(g, when ? 50000 : 0);
            for (int twice = 0; twice < 2; twice++) {
                assert_int_equal(axis_halt(g->axis, NULL), 0);
                assert_true(rig_until(g, AXIS_STOPPED, 1000000));
            }
            int32_t edges = g->edges;
            assert_int_equal(axis_move_to(g->axis, way(a, 100), NULL), E_STATE);
            rig_run_us(g, 2000000 / a->hurry);
            assert_int_equal(g->edges, edges);
            assert_int_equal(axis_clear(g->axis, NULL), 0);
            assert_true(rig_until(g, AXIS_REST, 1000000));
            assert_int_equal(g->edges, edges); /* clear itself moves nothing */
            rig_close(g);
        }
    }
}

static void limits_are_kept(void **state)
{
    (void)state;
    FOR_EACH_AXIS(a)
    {
        struct rig *g = ready(a);
        if (g->axis->ops->caps & AXIS_LIMITS) {
            assert_int_equal(axis_limits(g->axis, 2000, 1000, NULL), E_INPUT);
            assert_int_equal(axis_limits(g->axis, 0, way(a, 2000), NULL), 0);
            assert_true(rig_until(g, AXIS_REST, 1000000));
            assert_int_equal(axis_move_to(g->axis, way(a, 2000) + 1, NULL), E_INPUT);
            assert_int_equal(axis_move_to(g->axis, -1, NULL), E_INPUT);
            assert_int_equal(axis_move_to(g->axis, way(a, 2000), NULL), 0);
            assert_true(rig_until(g, AXIS_REST, 5000000));
        }
        rig_close(g);
    }
}

static void a_notice_comes_when_the_picture_changes_and_only_then(void **state)
{
    (void)state;
    FOR_EACH_AXIS(a)
    {
        struct rig *g = ready(a);
        int32_t before = g->notices;
        rig_run_us(g, 10000000 / a->hurry);
        assert_int_equal(g->notices, before);
        assert_int_equal(axis_move_to(g->axis, way(a, 3000), NULL), 0);
        assert_true(rig_until(g, AXIS_REST, 5000000));
        assert_true(g->notices > before);
        rig_close(g);
    }
}

int axis_contract(const struct axis_case *cases, int count)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_moves_on_opening),
        cmocka_unit_test(homing_makes_the_position_known),
        cmocka_unit_test(a_move_ends_where_it_was_sent),
        cmocka_unit_test(asking_takes_no_time),
        cmocka_unit_test(one_thing_at_a_time),
        cmocka_unit_test(halt_is_legal_in_any_state_and_clear_ends_it),
        cmocka_unit_test(limits_are_kept),
        cmocka_unit_test(a_notice_comes_when_the_picture_changes_and_only_then),
    };
    AXES = cases;
    AXIS_COUNT = count;
    return cmocka_run_group_tests_name("axis contract", tests, NULL, NULL);
}
