/* What every axis has to do, whatever moves it. Today there is one: the rail, over the virtual controller. */
#include "tests/support/test.h"

#include "tests/support/rail_rig.h"

static struct rig *homed(void)
{
    struct rig *g = rig_open(&(struct rig_opts){.native.seed = 3});
    assert_true(rig_until(g, AXIS_REST, 1000000));
    assert_int_equal(axis_home(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 60000000));
    return g;
}

static void nothing_moves_on_opening(void **state)
{
    (void)state;
    struct rig *g = rig_open(&(struct rig_opts){0});
    assert_int_equal(rig_state(g).phase, AXIS_STARTING);
    assert_true(rig_until(g, AXIS_REST, 1000000));
    rig_run_us(g, 5000000);
    assert_int_equal(g->edges, 0);
    assert_int_equal(rig_state(g).known, AXIS_UNKNOWN);
    rig_close(g);
}

static void homing_makes_the_position_known(void **state)
{
    (void)state;
    struct rig *g = homed();
    struct axis_state st = rig_state(g);
    assert_int_equal(st.known, AXIS_KNOWN);
    /* Zero is where the switch opens, the near end of the track; one step late, for two equal samples. */
    assert_in_range(g->place - st.position_counts + 2, 0, 2);
    assert_true(g->place > 0);
    rig_close(g);
}

static void a_move_ends_where_it_was_sent(void **state)
{
    (void)state;
    struct rig *g = homed();
    int64_t zero = g->place - rig_state(g).position_counts;
    static const int64_t TARGETS[] = {1000, 1001, 1000, 90000, 73, 1073, 1073};
    for (size_t i = 0; i < sizeof TARGETS / sizeof *TARGETS; i++) {
        assert_int_equal(axis_move_to(g->axis, TARGETS[i], NULL), 0);
        assert_int_equal(rig_state(g).phase, AXIS_MOVING);
        assert_true(rig_until(g, AXIS_REST, 20000000));
        assert_int_equal(rig_state(g).position_counts, TARGETS[i]);
        assert_int_equal(rig_state(g).target_counts, TARGETS[i]);
        assert_int_equal(g->place - zero, TARGETS[i]);
    }
    rig_close(g);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_moves_on_opening),
        cmocka_unit_test(homing_makes_the_position_known),
        cmocka_unit_test(a_move_ends_where_it_was_sent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
