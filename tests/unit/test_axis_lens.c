/* The lens's axis on a scripted camera, in virtual time: what it makes of each answer. What was ordered, and
 * how far a lens would have gone by it, the script counts itself. (Through libgphoto2:
 * tests/long/test_axis_lens.c.) */
#include "tests/support/test.h"

#include "device/axis_lens.h"

#define ORDERS_MOST 200

struct script {
    struct camera camera;
    struct lens_kind kind;
    int32_t size[3];                       /* what the named sizes really are worth */
    enum lens_result answers[ORDERS_MOST]; /* 0: moved */
    int32_t orders[ORDERS_MOST];
    int64_t at_us[ORDERS_MOST];
    int32_t count;
    int64_t place; /* of the lens */
    int64_t takes_us;
    struct sched *sched;
    struct axis *axis;
    int32_t notices;
};

static int script_lens(struct camera *camera, struct lens_kind *out, struct err *why)
{
    (void)why;
    *out = ((struct script *)camera)->kind;
    return 0;
}

static void on_answer(void *arg)
{
    struct script *s = arg;
    const int32_t i = s->count - 1, order = s->orders[i], n = abs(order);
    struct lens_answer a = {.result = s->answers[i]};
    if (a.result != LENS_MOVED && a.result != LENS_LATE) fail(&a.why, E_STATE, "scripted");
    if (a.result <= LENS_LATE && a.result != LENS_REFUSED)
        s->place += s->kind.sizes ? (order < 0 ? -1 : 1) * s->size[n - 1] : order;
    s->camera.driven(s->camera.driven_arg, &a);
}

static int script_drive(struct camera *camera, int32_t order, struct err *why)
{
    struct script *s = (struct script *)camera;
    (void)why;
    assert_true(s->count < ORDERS_MOST);
    s->orders[s->count] = order;
    s->at_us[s->count++] = sched_now_us(s->sched);
    sched_at(s->sched, sched_now_us(s->sched) + s->takes_us, on_answer, s);
    return 0;
}

static const struct camera_ops SCRIPTED = {.name = "scripted", .lens = script_lens, .drive = script_drive};

static void on_notice(void *arg)
{
    ((struct script *)arg)->notices++;
}

static struct axis_state state_of(struct script *s)
{
    struct axis_state st;
    assert_int_equal(axis_poll(s->axis, &st, NULL), 0);
    return st;
}

static struct axis_state until(struct script *s, enum axis_phase phase)
{
    const int64_t most = sched_now_us(s->sched) + 60000000;
    while (state_of(s).phase != phase)
        if (!sched_step(s->sched, most)) fail_msg("it is %s", axis_phase_text(state_of(s).phase));
    return state_of(s);
}

static void open_script(struct script *s, int32_t sizes, const int32_t worth[3])
{
    struct err why = {0};
    s->camera.ops = &SCRIPTED;
    s->kind = (struct lens_kind){.order_most = sizes ? sizes : 32767, .sizes = sizes};
    s->takes_us = 20000;
    s->sched = sched_new_virtual(NULL);
    struct axis_lens_opts o = {.camera = &s->camera};
    for (int i = 0; i < 3; i++) {
        s->size[i] = (const int32_t[]){1, 6, 30}[i];
        o.worth[i] = worth ? worth[i] : 0;
    }
    if (axis_lens_open(s->sched, &o, &s->axis, &why)) fail_msg("%s", why.text);
    s->axis->notice = on_notice;
    s->axis->notice_arg = s;
    until(s, AXIS_REST);
    assert_int_equal(axis_move_to(s->axis, 10, &why), E_STATE); /* it knows no place */
    assert_int_equal(axis_here(s->axis, 0, NULL), 0);
}

static void close_script(struct script *s)
{
    axis_close(s->axis);
    sched_free(s->sched);
}

static void go(struct script *s, int64_t target)
{
    struct err why = {0};
    if (axis_move_to(s->axis, target, &why)) fail_msg("%s", why.text);
}

static void the_largest_sizes_that_fit_are_used_where_their_worth_is_known(void **state)
{
    (void)state;
    struct script s = {0};
    static const int32_t ORDERS[] = {3, 3, 2, 1, 1, -2, -1}; /* 30 + 30 + 6 + 1 + 1 = 68, then 7 back */
    open_script(&s, 3, (const int32_t[]){1, 6, 30});
    go(&s, 68);
    until(&s, AXIS_REST);
    go(&s, 61);
    until(&s, AXIS_REST);
    assert_int_equal(s.count, 7);
    for (int i = 0; i < 7; i++)
        assert_int_equal(s.orders[i], ORDERS[i]);
    assert_int_equal(s.place, 61);
    close_script(&s);
}

static void without_their_worth_only_the_smallest_is(void **state)
{
    (void)state;
    struct script s = {0};
    open_script(&s, 3, NULL);
    go(&s, 45);
    until(&s, AXIS_REST);
    assert_int_equal(s.count, 45);
    assert_int_equal(s.place, 45);
    close_script(&s);
}

static void a_long_way_goes_in_orders_that_a_halt_can_come_between(void **state)
{
    (void)state;
    struct script s = {0};
    open_script(&s, 0, NULL);
    go(&s, 5000);
    sched_step(s.sched, sched_now_us(s.sched));
    assert_int_equal(axis_halt(s.axis, NULL), 0);
    const struct axis_state st = until(&s, AXIS_STOPPED);
    assert_true(s.count <= 2 && s.place < 5000);
    assert_int_equal(st.position_counts, s.place); /* what was under way counts */
    assert_int_equal(st.known, AXIS_COUNTED);
    close_script(&s);
}

static void what_was_refused_at_once_is_asked_again_and_later(void **state)
{
    (void)state;
    struct script s = {.answers = {LENS_REFUSED, LENS_REFUSED, LENS_MOVED}};
    open_script(&s, 0, NULL);
    go(&s, 50);
    until(&s, AXIS_REST);
    assert_int_equal(s.count, 3);
    assert_int_equal(s.place, 50);
    assert_true(s.at_us[2] - s.at_us[1] > s.at_us[1] - s.at_us[0]);
    close_script(&s);
}

static void what_was_answered_late_counts_and_is_not_asked_again(void **state)
{
    (void)state;
    struct script s = {.answers = {LENS_LATE}};
    open_script(&s, 0, NULL);
    go(&s, 50);
    const struct axis_state st = until(&s, AXIS_REST);
    assert_int_equal(s.count, 1);
    assert_int_equal(s.place, 50);
    assert_int_equal(st.position_counts, 50);
    assert_true(st.uncertainty_counts > 0);
    assert_true(st.rest_at_us - s.at_us[0] >= 1000000); /* it may be moving still */
    close_script(&s);
}

static void what_nobody_can_tell_is_not_asked_again_and_the_place_is_unknown(void **state)
{
    (void)state;
    struct script s = {.answers = {LENS_LOST}};
    struct err why;
    open_script(&s, 0, NULL);
    go(&s, 50);
    struct axis_state st = until(&s, AXIS_GONE);
    assert_int_equal(s.count, 1);
    assert_int_equal(st.known, AXIS_UNKNOWN);
    assert_int_equal(axis_again(s.axis, NULL), 0);
    st = until(&s, AXIS_REST);
    assert_int_equal(st.known, AXIS_UNKNOWN);
    assert_int_equal(axis_move_to(s.axis, 50, &why), E_STATE);
    assert_int_equal(s.count, 1);
    assert_int_equal(axis_jog(s.axis, -5, NULL), 0); /* a distance needs no place */
    until(&s, AXIS_REST);
    assert_int_equal(s.orders[1], -5);
    close_script(&s);
}

static void a_stop_is_an_alarm_with_what_to_do(void **state)
{
    (void)state;
    struct script s = {.answers = {LENS_AT_END}};
    open_script(&s, 0, NULL);
    go(&s, -50);
    struct axis_state st = until(&s, AXIS_ALARM);
    assert_int_equal(st.known, AXIS_UNKNOWN);
    assert_non_null(strstr(st.why.text, "near stop"));
    assert_non_null(strstr(st.why.text, "focus range"));
    assert_int_equal(axis_clear(s.axis, NULL), 0);
    st = until(&s, AXIS_REST);
    assert_int_equal(st.known, AXIS_UNKNOWN);
    close_script(&s);
}

static void a_way_that_is_too_short_is_gone_back_and_forth(void **state)
{
    (void)state;
    struct script s = {.answers = {LENS_TOO_SHORT}};
    open_script(&s, 0, NULL);
    go(&s, 2);
    until(&s, AXIS_REST);
    assert_int_equal(s.count, 3);
    assert_true(s.orders[1] < 0 && s.orders[2] > 0); /* the last one from the near side */
    assert_int_equal(s.place, 2);
    struct script t = {.answers = {LENS_TOO_SHORT, LENS_MOVED, LENS_TOO_SHORT}};
    open_script(&t, 0, NULL);
    go(&t, 2);
    const struct axis_state st = until(&t, AXIS_ALARM);
    assert_non_null(strstr(st.why.text, "space the slices wider"));
    close_script(&s);
    close_script(&t);
}

static void a_camera_that_stays_busy_is_given_up(void **state)
{
    (void)state;
    struct script s = {0};
    for (int i = 0; i < ORDERS_MOST; i++)
        s.answers[i] = LENS_REFUSED;
    open_script(&s, 0, NULL);
    go(&s, 50);
    const struct axis_state st = until(&s, AXIS_ALARM);
    assert_int_equal(s.place, 0);
    assert_true(s.count < 20);
    assert_int_equal(st.known, AXIS_COUNTED); /* it has not moved */
    assert_int_equal(st.position_counts, 0);
    close_script(&s);
}

static void the_place_grows_uncertain_with_turns_and_large_sizes_only(void **state)
{
    (void)state;
    struct script s = {0};
    open_script(&s, 3, (const int32_t[]){1, 6, 30});
    go(&s, 5);
    assert_int_equal(until(&s, AXIS_REST).uncertainty_counts, 0);
    go(&s, 2);
    const int64_t turned = until(&s, AXIS_REST).uncertainty_counts;
    assert_true(turned > 0);
    go(&s, 62);
    assert_true(until(&s, AXIS_REST).uncertainty_counts > turned + 3);
    close_script(&s);
}

/* Measuring the sizes: single orders, of which nobody knows how far they go; then it counts by what was
 * found, and doubts it by so much. */
static void sizes_are_ordered_singly_and_then_counted_by(void **state)
{
    (void)state;
    struct script s = {.size = {0}};
    struct err why = {0};
    static const int32_t ORDERS[] = {2, -3, -3, 2};
    open_script(&s, 3, NULL);
    assert_int_equal(s.axis->sizes, 3);
    assert_int_equal(axis_order(s.axis, 2, &why), 0);
    assert_int_equal(axis_order(s.axis, 2, &why), E_STATE); /* one at a time */
    assert_int_equal(until(&s, AXIS_REST).known, AXIS_UNKNOWN);
    s.answers[1] = LENS_REFUSED; /* busy: once more, the same */
    assert_int_equal(axis_order(s.axis, -3, &why), 0);
    until(&s, AXIS_REST);
    assert_int_equal(s.place, 6 - 30);
    assert_int_equal(axis_order(s.axis, 4, &why), E_INPUT);
    assert_int_equal(axis_order(s.axis, 0, &why), E_INPUT);
    assert_int_equal(axis_move_to(s.axis, 10, &why), E_STATE); /* it knows no place */
    assert_int_equal(axis_worth(s.axis, 4, 6, 0, &why), E_INPUT);
    assert_int_equal(axis_worth(s.axis, 2, 6, 2, &why), 0);
    assert_int_equal(axis_here(s.axis, 0, &why), 0);
    go(&s, 6);
    assert_int_equal(until(&s, AXIS_REST).uncertainty_counts, 2);
    assert_int_equal(s.count, 4);
    for (int i = 0; i < 4; i++)
        assert_int_equal(s.orders[i], ORDERS[i]);
    close_script(&s);
}

/* Of one that counts, an order is its counts. */
static void a_motor_that_counts_takes_single_orders_too(void **state)
{
    (void)state;
    struct script s = {0};
    struct err why = {0};
    open_script(&s, 0, NULL);
    assert_int_equal(s.axis->sizes, 0);
    assert_int_equal(axis_order(s.axis, -250, &why), 0);
    assert_int_equal(until(&s, AXIS_REST).known, AXIS_UNKNOWN);
    assert_int_equal(s.place, -250);
    assert_int_equal(axis_worth(s.axis, 2, 6, 0, &why), E_INPUT);
    close_script(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_largest_sizes_that_fit_are_used_where_their_worth_is_known),
        cmocka_unit_test(without_their_worth_only_the_smallest_is),
        cmocka_unit_test(a_long_way_goes_in_orders_that_a_halt_can_come_between),
        cmocka_unit_test(what_was_refused_at_once_is_asked_again_and_later),
        cmocka_unit_test(what_was_answered_late_counts_and_is_not_asked_again),
        cmocka_unit_test(what_nobody_can_tell_is_not_asked_again_and_the_place_is_unknown),
        cmocka_unit_test(a_stop_is_an_alarm_with_what_to_do),
        cmocka_unit_test(a_way_that_is_too_short_is_gone_back_and_forth),
        cmocka_unit_test(a_camera_that_stays_busy_is_given_up),
        cmocka_unit_test(the_place_grows_uncertain_with_turns_and_large_sizes_only),
        cmocka_unit_test(sizes_are_ordered_singly_and_then_counted_by),
        cmocka_unit_test(a_motor_that_counts_takes_single_orders_too),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
