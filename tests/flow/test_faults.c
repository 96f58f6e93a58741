/* Faults of the devices: the camera's own kinds one by one, and a sweep in which the n-th device call fails.
 * The sweep over every call is in tests/long/test_resume_everywhere.c; here it takes long steps. */
#include "tests/support/test.h"

#include "tests/support/sweep.h"

static struct shoot_job job, shaped;

static int set_up(void **state)
{
    (void)state;
    small_job("faults", &(struct small){.width_px = 64, .height_px = 48, .slices = 2}, &job);
    small_job("shaped", &(struct small){.width_px = 64, .height_px = 48, .slices = 2, .rings = true},
              &shaped);
    assert_int_not_equal(shaped.plan.timeline.shape.kind, SHAPER_NONE);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    shoot_job_clear(&job);
    shoot_job_clear(&shaped);
    return 0;
}

static struct sweep shoot(const char *name, struct camera_sim_faults faults)
{
    struct sweep s = {.job = &job, .dir = small_path(name), .camera = faults};
    sweep_shoot(&s);
    return s;
}

static void every_fault_of_one_exposure_is_shot_again(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        struct camera_sim_faults faults;
        int lost, failed;
    } rows[] = {
        {"stays-shut", {.fail_at = 2}, 0, 1},
        {"keeps-nothing", {.lose_at = 3}, 1, 0},
        {"falls-silent", {.mute_at = 3}, 1, 0},
        {"breaks-off", {.transfer_at = 2}, 0, 0},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct small_counts n;
        struct sweep s = shoot(rows[i].name, rows[i].faults);
        assert_int_equal(s.rc, 0);
        small_check_whole(s.dir, true);
        small_count(s.dir, &n);
        assert_int_equal(n.lost, rows[i].lost);
        assert_int_equal(n.failed, rows[i].failed);
        assert_int_equal(s.result.findings.count, 1);
        run_result_clear(&s.result);
    }
}

static void a_camera_that_goes_pauses_the_run(void **state)
{
    (void)state;
    struct sweep s = shoot("gone", (struct camera_sim_faults){.gone_at = 3});
    assert_int_equal(s.rc, E_PAUSED);
    assert_int_equal(s.result.kept, 2);
    assert_non_null(strstr(s.result.why.text, "cable"));
    sweep_finish(&s);
    run_result_clear(&s.result);
}

static struct sweep fail_at(long n, enum errc code)
{
    char name[32];
    snprintf(name, sizeof name, "call%ld_%d", n, code);
    struct sweep s = {
        .job = n & 1 ? &job : &shaped, .dir = small_path(name), .faults = {.fail_at = n, .code = code}};
    sweep_shoot(&s);
    return s;
}

static void whichever_device_call_fails_the_stack_becomes_whole(void **state)
{
    (void)state;
    long n = 1;
    for (;; n += 17) {
        struct sweep s = fail_at(n, n & 1 ? E_IO : E_TIMEOUT);
        if (!s.faults.failed) {
            assert_int_equal(s.rc, 0);
            run_result_clear(&s.result);
            break;
        }
        if (s.rc) sweep_finish(&s);
        run_result_clear(&s.result);
    }
    print_message("measured: device calls of a run of %d slices: about %ld\n", (int)job.plan.slice_count, n);
    assert_true(n > 60);
}

/* Three misfires in a row: somebody has to look at the flash. */
static struct camera *dead_flash(void *arg, struct camera *c);

static int trigger_fails(struct camera *c, uint64_t token, struct err *why)
{
    (void)c;
    (void)token;
    return fail(why, E_TIMEOUT, "planted: it does not take the command");
}

static struct camera_ops dead_ops;

static struct camera *dead_flash(void *arg, struct camera *c)
{
    (void)arg;
    dead_ops = *c->ops;
    dead_ops.trigger = trigger_fails;
    c->ops = &dead_ops;
    return c;
}

static void a_slice_that_fails_three_times_pauses_the_run(void **state)
{
    (void)state;
    struct run_result r;
    struct err why = {0};
    struct small_counts n;
    struct shoot_opts o = {
        .dir = small_path("dead"), .virtual_clock = true, .workers = 1, .rig.wrap_camera = dead_flash};
    assert_int_equal(shoot_new(&job, &o, &r, &why), E_PAUSED);
    assert_non_null(strstr(why.text, "3 times"));
    small_count(o.dir, &n);
    assert_int_equal(n.failed, 3);
    assert_int_equal(n.kept, 0);
    struct sweep s = {.job = &job, .dir = o.dir};
    run_result_clear(&r);
    sweep_finish(&s);
}

/* From the n-th look on the axis is in alarm: an end switch, the emergency button. */
static int looks_left;
static struct axis_ops alarm_ops;
static const struct axis_ops *true_ops;

static int look_alarm(struct axis *a, struct axis_state *out, struct err *why)
{
    int rc = true_ops->poll(a, out, why);
    if (--looks_left > 0 || rc) return rc;
    out->phase = AXIS_ALARM;
    fail(&out->why, E_STATE, "planted: the emergency button is pressed");
    return E_OK;
}

static struct axis *with_alarm(void *arg, struct axis *a)
{
    (void)arg;
    true_ops = a->ops;
    alarm_ops = *a->ops;
    alarm_ops.poll = look_alarm;
    a->ops = &alarm_ops;
    return a;
}

static void an_alarm_of_the_axis_wants_a_person(void **state)
{
    (void)state;
    for (int n = 1; n < 30; n += 7) {
        struct run_result r;
        struct err why = {0};
        char name[32];
        snprintf(name, sizeof name, "alarm%d", n);
        looks_left = n;
        struct shoot_opts o = {
            .dir = small_path(name), .virtual_clock = true, .workers = 1, .rig.wrap_axis = with_alarm};
        assert_int_equal(shoot_new(&job, &o, &r, &why), E_STATE);
        assert_non_null(strstr(why.text, "emergency button"));
        assert_int_equal(r.end, RUN_PAUSED);
        assert_int_equal(r.slices, job.plan.slice_count);
        small_check_consistent(o.dir);
        run_result_clear(&r);
        struct run_result whole;
        bool already;
        struct shoot_opts again = {.dir = o.dir, .workers = 1};
        assert_int_equal(shoot_resume(&again, &whole, &already, &why), 0);
        small_check_whole(o.dir, true);
        run_result_clear(&whole);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_fault_of_one_exposure_is_shot_again),
        cmocka_unit_test(a_camera_that_goes_pauses_the_run),
        cmocka_unit_test(whichever_device_call_fails_the_stack_becomes_whole),
        cmocka_unit_test(an_alarm_of_the_axis_wants_a_person),
        cmocka_unit_test(a_slice_that_fails_three_times_pauses_the_run),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
