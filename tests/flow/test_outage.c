/* What does not come back: after the limit the run pauses safely, and resume goes on. What does come back is
 * in tests/long/test_phase_fault.c, moment by moment; here is one line of that table. */
#include "tests/support/test.h"

#include "device/link_fault.h"
#include "firmware/native/native.h"
#include "staddle/wire.h"
#include "tests/support/db_faults.h"
#include "tests/support/faults.h"
#include "tests/support/phase_fault.h"
#include "tests/support/small.h"

#define AWAY_AT_US 5450000 /* the third slice is being exposed */
#define NEVER      (INT64_C(1) << 60)
#define MINUTE_US  60000000

enum away {
    AWAY_AXIS,
    AWAY_CAMERA,
    AWAY_DISK,
    AWAY_RESTARTS,
    AWAY_ALARM,
    AWAY_A_MINUTE, /* the camera, until it is plugged in again */
    AWAY_SILENT    /* the camera hangs, for its cable was pulled */
};

struct trial {
    enum away what;
    int64_t wish_at_us; /* 0: nobody wishes anything */
    bool usb_tells;     /* what was pulled and plugged in */
    struct rig *rig;
    struct camera *camera;
    struct link *link;
    struct link_fault_socket socket;
    int32_t links;
    struct run_result result;
    struct err why;
};

static struct shoot_job job;

static void restart(void *arg)
{
    struct trial *t = arg;
    if (!t->rig) return;
    native_rail_reset(bench_controller(t->rig));
    sched_at(t->rig->sched, sched_now_us(t->rig->sched) + 900000, restart, t);
}

static void plug(void *arg)
{
    bench_plug(((struct trial *)arg)->rig, true, "1-2");
}

static void take_away(void *arg)
{
    struct trial *t = arg;
    switch (t->what) {
    case AWAY_AXIS:
        link_fault_unplug(t->link, NEVER);
        break;
    case AWAY_CAMERA:
        camera_sim_unplug(t->camera, NEVER);
        break;
    case AWAY_DISK:
        faults_full(true);
        break;
    case AWAY_RESTARTS:
        restart(t);
        break;
    case AWAY_ALARM:
        world_set_travel(t->rig->world, INT64_C(1000000000), -INT64_C(1000000000));
        break;
    case AWAY_A_MINUTE:
        camera_sim_unplug(t->camera, AWAY_AT_US + MINUTE_US);
        if (t->usb_tells) sched_at(t->rig->sched, AWAY_AT_US + MINUTE_US, plug, t);
        break;
    case AWAY_SILENT:
        camera_sim_hang(t->camera);
        snprintf(t->rig->camera_path, sizeof t->rig->camera_path, "1-2");
        bench_plug(t->rig, false, "1-3"); /* something else */
        if (t->usb_tells) bench_plug(t->rig, false, "1-2");
        break;
    }
}

static void wish(void *arg)
{
    bench_wish(((struct trial *)arg)->rig);
}

static void opened(void *arg, struct rig *r, struct store *st)
{
    struct trial *t = arg;
    (void)st;
    t->rig = r;
    sched_at(r->sched, AWAY_AT_US, take_away, t);
    if (t->wish_at_us) sched_at(r->sched, t->wish_at_us, wish, t);
}

static struct camera *around_camera(void *arg, struct camera *camera)
{
    ((struct trial *)arg)->camera = camera;
    return camera;
}

static struct link *around_link(void *arg, struct sched *sched, struct link *inner)
{
    struct trial *t = arg;
    struct err why = {0};
    t->links++;
    struct link *link =
        link_fault_open(sched, inner, &(struct link_fault_opts){.seed = 1, .socket = &t->socket}, &why);
    if (link) t->link = link;
    return link;
}

/* The contacts are open, and nothing moves or would. */
static void closing(void *arg, struct rig *r)
{
    struct trial *t = arg;
    t->rig = NULL;
    if (t->what != AWAY_AXIS)
        assert_int_equal(native_rail_outputs(bench_controller(r)) & (WIRE_HALF_PRESSED | WIRE_FULL_PRESSED),
                         0);
    int64_t steps = world_step_count(r->world, NULL, NULL), until = sched_now_us(r->sched) + 2000000;
    while (sched_step(r->sched, until))
        continue;
    assert_int_equal(world_step_count(r->world, NULL, NULL), steps);
}

static int shoot(struct trial *t, const char *name)
{
    struct shoot_opts o = {.dir = small_path(name),
                           .virtual_clock = true,
                           .workers = 1,
                           .opened = opened,
                           .closing = closing,
                           .arg = t,
                           .rig = {.wrap_camera = around_camera, .wrap_link = around_link, .wrap_arg = t}};
    faults_at(0);
    db_faults_on();
    int rc = shoot_new(&job, &o, &t->result, &t->why);
    faults_full(false);
    db_faults_off();
    faults_off();
    return rc;
}

static void go_on(struct trial *t, const char *name)
{
    struct err why = {0};
    struct run_result r;
    bool already;
    if (shoot_resume(&(struct shoot_opts){.dir = small_path(name), .workers = 1}, &r, &already, &why))
        fail_msg("resume: %s", why.text);
    run_result_clear(&r);
    run_result_clear(&t->result);
    small_check_whole(small_path(name), true);
}

static bool told(const struct trial *t, const char *words)
{
    bool found = false;
    for (int32_t i = 0; i < t->result.findings.count; i++)
        found = found || strstr(t->result.findings.rows[i].text, words);
    return found;
}

static void what_stays_away_ends_in_a_safe_pause_after_its_limit(void **state)
{
    (void)state;
    static const struct {
        enum away what;
        const char *name, *waited;
        int32_t limit_s;
    } ROWS[] = {{AWAY_AXIS, "axis", "(waited 10 min)", 600},
                {AWAY_CAMERA, "camera", "(waited 10 min)", 600},
                {AWAY_DISK, "disk", "(waited 30 min)", 1800}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        struct trial t = {.what = ROWS[i].what};
        assert_int_equal(shoot(&t, ROWS[i].name), E_PAUSED);
        print_message("%s: %s\n", ROWS[i].name, t.why.text);
        assert_non_null(strstr(t.why.text, ROWS[i].waited));
        assert_true(told(&t, "waiting: ") && told(&t, "it goes on by itself"));
        const double s = (double)(t.result.duration_us - AWAY_AT_US) * 1e-6;
        assert_true(s >= ROWS[i].limit_s && s < ROWS[i].limit_s + 200);
        /* 0.25 s, doubled to 10 s: six tries in the first 16 s, then one each 10 s; each needs its answer */
        if (t.what == AWAY_AXIS) assert_in_range(t.links, 40, 70);
        go_on(&t, ROWS[i].name);
    }
}

static void a_wish_to_pause_ends_the_waiting(void **state)
{
    (void)state;
    for (int what = AWAY_AXIS; what <= AWAY_DISK; what++) {
        char name[32];
        snprintf(name, sizeof name, "wish%d", what);
        struct trial t = {.what = (enum away)what, .wish_at_us = 30000000};
        assert_int_equal(shoot(&t, name), E_PAUSED);

        assert_true(t.result.duration_us < 36000000);
        go_on(&t, name);
    }
}

static void a_controller_that_keeps_restarting_is_not_humoured_for_ever(void **state)
{
    (void)state;
    struct trial t = {.what = AWAY_RESTARTS};
    assert_int_equal(err_exit_status((enum errc)shoot(&t, "restarts")), 4); /* a person has to look */
    print_message("restarts: %s\n", t.why.text);
    assert_true(t.result.duration_us < 60000000);
    go_on(&t, "restarts");
}

static void an_alarm_is_a_persons_and_not_waited_for(void **state)
{
    (void)state;
    struct trial t = {.what = AWAY_ALARM};
    int rc = shoot(&t, "alarm");
    print_message("alarm: %s\n", t.why.text);
    assert_int_equal(err_exit_status((enum errc)rc), 4);
    assert_true(t.result.duration_us < 20000000);
    assert_false(told(&t, "waiting: "));
    go_on(&t, "alarm");
}

static double shot_after_s(enum away what, bool usb_tells, const char *name, const char *words)
{
    struct trial t = {.what = what, .usb_tells = usb_tells};
    if (shoot(&t, name)) fail_msg("%s: %s", name, t.why.text);
    assert_true(!words || told(&t, words));
    const double s = (double)t.result.duration_us * 1e-6;
    run_result_clear(&t.result);
    small_check_whole(small_path(name), true);
    return s;
}

/* A retry is ten seconds away by then, and a silent camera is given half a minute. */
static void what_is_plugged_in_or_pulled_is_noticed_at_once(void **state)
{
    (void)state;
    const double told_s = shot_after_s(AWAY_A_MINUTE, true, "plugged", "there again after 60 s"),
                 found_s = shot_after_s(AWAY_A_MINUTE, false, "found", "there again after 66 s");
    const double pulled_s = shot_after_s(AWAY_SILENT, true, "pulled", NULL),
                 silent_s = shot_after_s(AWAY_SILENT, false, "silent", NULL);
    printf("measured: a stack whose camera was away took %.1f s where USB told of it, else %.1f s; with a "
           "silent one "
           "%.1f s and %.1f s\n",
           told_s, found_s, pulled_s, silent_s);
    assert_true(told_s < found_s - 5 && pulled_s < silent_s - 20);
}

static void one_fault_at_each_moment_and_each_fault_once(void **state)
{
    (void)state;
    struct cell_result r;
    phase_fault_open();
    for (int f = 0; f < FAULTS; f++)
        phase_fault_try((enum phase)((f + PHASE_EXPOSING) % PHASES), (enum fault)f, &r);
    phase_fault_close();
}

static int set_up(void **state)
{
    (void)state;
    small_job(
        "outage",
        &(struct small){.width_px = 32, .height_px = 24, .slices = 2, .depth_mm = 0.1, .settle_ms = 200},
        &job);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    shoot_job_clear(&job);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_stays_away_ends_in_a_safe_pause_after_its_limit),
        cmocka_unit_test(a_wish_to_pause_ends_the_waiting),
        cmocka_unit_test(a_controller_that_keeps_restarting_is_not_humoured_for_ever),
        cmocka_unit_test(an_alarm_is_a_persons_and_not_waited_for),
        cmocka_unit_test(what_is_plugged_in_or_pulled_is_noticed_at_once),
        cmocka_unit_test(one_fault_at_each_moment_and_each_fault_once),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
