/* From a job to kept frames, on the simulated bench. The truth is the world's shutter log, never the code's
 * own rows. */
#include "tests/support/test.h"

#include "base/mem.h"
#include "tests/support/program.h"
#include "tests/support/small.h"

#define SHOTS_MOST 64

/* What the shutter saw, copied while the rig was open. */
struct seen {
    int32_t shots;
    double focus_nm[SHOTS_MOST]; /* mean over the exposure */
    double light[SHOTS_MOST];
    int64_t open_us[SHOTS_MOST], shut_us[SHOTS_MOST];
    double carriage_nm;
    enum axis_phase phase;
};

static void look(void *arg, struct rig *r)
{
    struct seen *s = arg;
    const struct shot *log;
    struct axis_state axis;
    s->shots = world_shots(r->world, &log);
    assert_true(s->shots <= SHOTS_MOST);
    for (int32_t i = 0; i < s->shots; i++) {
        s->focus_nm[i] = 0;
        for (int32_t k = 0; k < log[i].samples; k++)
            s->focus_nm[i] += log[i].focus_nm[k] / log[i].samples;
        s->light[i] = log[i].light;
        s->open_us[i] = log[i].open_us;
        s->shut_us[i] = log[i].shut_us;
    }
    s->carriage_nm = world_carriage_nm(r->world);
    assert_int_equal(axis_poll(r->axis, &axis, NULL), 0);
    s->phase = axis.phase;
}

static void shoot(const char *name, const struct small *small, struct shoot_opts *o, struct shoot_job *job,
                  struct seen *seen, struct run_result *result)
{
    struct err why = {0};
    small_job(name, small, job);
    o->dir = small_path(name);
    o->virtual_clock = true;
    o->workers = 2;
    o->closing = look;
    o->arg = seen;
    if (shoot_new(job, o, result, &why)) {
        print_error("%s\n", why.text);
        assert_true(false);
    }
}

/* Every slice is exposed once, where the plan wants it, near to far; at last the closing frame at the first.
 * The tolerance is one microstep of 0.625 um and the screw's own error; what is left of the ringing is
 * averaged away. */
static void each_slice_is_exposed_where_the_plan_wants_it(void **state)
{
    (void)state;
    struct shoot_job job;
    struct seen seen = {0};
    struct run_result r;
    struct shoot_opts o = {.quiet_world = true};
    shoot("where", &(struct small){.scene = "  screw_error_um: 0\n"}, &o, &job, &seen, &r);
    assert_int_equal(r.end, RUN_WHOLE);
    assert_int_equal(r.kept, job.plan.slice_count);
    assert_int_equal(seen.shots, job.plan.slice_count + 1);
    double worst = 0;
    for (int32_t i = 0; i < job.plan.slice_count; i++)
        worst = fmax(worst, fabs(seen.focus_nm[i] - (double)job.plan.slices[i].target_nm));
    worst = fmax(worst, fabs(seen.focus_nm[seen.shots - 1] - (double)job.plan.slices[0].target_nm));
    print_message("measured: slices %d, worst place %.0f nm from the plan\n", (int)seen.shots, worst);
    assert_true(worst < 700);
    small_check_whole(o.dir, true);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

/* Backlash of 20 um is in the mechanics; a slice approached from the other side would be that far off. */
static void a_retake_is_approached_from_the_near_side_again(void **state)
{
    (void)state;
    struct shoot_job job;
    struct seen seen = {0};
    struct run_result r;
    struct shoot_opts o = {.quiet_world = true, .rig.faults.lose_at = 3};
    shoot("retake", &(struct small){.scene = "  screw_error_um: 0\n  backlash_um: 20\n"}, &o, &job, &seen,
          &r);
    assert_int_equal(r.end, RUN_WHOLE);
    assert_int_equal(r.retakes, 1);
    assert_int_equal(r.lost, 1);
    assert_int_equal(seen.shots, job.plan.slice_count + 2);
    int at_third = 0;
    for (int32_t i = 0; i < seen.shots; i++)
        at_third += fabs(seen.focus_nm[i] - (double)job.plan.slices[2].target_nm) < 700;
    assert_int_equal(at_third, 2);
    small_check_whole(o.dir, true);
    assert_int_equal(r.findings.count, 1);
    assert_string_equal(r.findings.rows[0].code, "lost");
    run_result_clear(&r);
    shoot_job_clear(&job);
}

/* The shutter opens no sooner than the settle after the last edge: seen from the world's clock. */
static void the_shutter_waits_for_the_settle_and_the_start_delay(void **state)
{
    (void)state;
    struct shoot_job job;
    struct seen seen = {0};
    struct run_result r;
    struct shoot_opts o = {0};
    shoot("waits", &(struct small){.settle_ms = 1500, .start_delay_s = 10}, &o, &job, &seen, &r);
    assert_true(seen.open_us[0] >= 10000000);
    for (int32_t i = 1; i < seen.shots; i++)
        assert_true(seen.open_us[i] - seen.shut_us[i - 1] >= 1500000 + 50000);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

/* Measuring that takes six seconds a frame: no more than three frames are ever in
 * memory, so the shutter waits, and no slice is lost. */
static void slow_measuring_holds_the_shutter(void **state)
{
    (void)state;
    struct shoot_job job;
    struct seen seen = {0};
    struct run_result r;
    struct shoot_opts o = {.rig.times.measure_us = 6000000};
    shoot("slow", &(struct small){0}, &o, &job, &seen, &r);
    assert_int_equal(r.end, RUN_WHOLE);
    for (int32_t i = LOOP_FRAMES_MOST; i < seen.shots; i++)
        assert_true(seen.open_us[i] - seen.open_us[i - LOOP_FRAMES_MOST] >= 6000000);
    small_check_whole(o.dir, true);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

static void a_flash_gets_its_recycle_time(void **state)
{
    (void)state;
    struct shoot_job job;
    struct seen seen = {0};
    struct run_result r;
    struct shoot_opts o = {0};
    shoot("flash", &(struct small){.flash = true, .settle_ms = 300, .exposure_s = 0.01}, &o, &job, &seen, &r);
    assert_int_equal(r.end, RUN_WHOLE);
    for (int32_t i = 1; i < seen.shots; i++)
        assert_true(seen.open_us[i] - seen.open_us[i - 1] >= 2000000);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

static void a_misfire_is_shot_again_and_its_frame_stays(void **state)
{
    (void)state;
    struct shoot_job job;
    struct seen seen = {0};
    struct run_result r;
    struct small_counts n;
    struct shoot_opts o = {.rig.faults.dark_at = 4};
    shoot("misfire", &(struct small){.flash = true, .exposure_s = 0.01}, &o, &job, &seen, &r);
    assert_int_equal(r.end, RUN_WHOLE);
    assert_int_equal(r.misfires, 1);
    assert_int_equal(r.retakes, 1);
    small_check_whole(o.dir, true);
    small_count(o.dir, &n);
    assert_int_equal(n.failed, 1);
    FILE *f = fopen(small_path("misfire/frames/s0004.jpg"), "rb"); /* the dark one: nothing is ever deleted */
    assert_non_null(f);
    fclose(f);
    f = fopen(small_path("misfire/frames/s0004_t2.jpg"), "rb");
    assert_non_null(f);
    fclose(f);
    struct said said = program("check %s/misfire", test_folder()); /* both tries side by side */
    assert_int_equal(said.err[0], 0);
    assert_non_null(strstr(said.out, " derived/retake.png"));
    said_clear(&said);
    f = fopen(small_path("misfire/derived/retake.png"), "rb");
    assert_non_null(f);
    fclose(f);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

static void a_first_flash_that_does_not_fire_is_noticed_too(void **state)
{
    (void)state;
    struct shoot_job job;
    struct seen seen = {0};
    struct run_result r;
    struct shoot_opts o = {.rig.faults.dark_at = 1};
    shoot("misfire1", &(struct small){.flash = true, .exposure_s = 0.01}, &o, &job, &seen, &r);
    assert_int_equal(r.misfires, 1);
    assert_int_equal(r.end, RUN_WHOLE);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

static void an_exposure_shorter_than_the_sync_is_refused_before_anything_is_made(void **state)
{
    (void)state;
    struct shoot_job job;
    struct run_result r;
    struct err why = {0};
    small_job("sync", &(struct small){.flash = true, .exposure_s = 0.01}, &job);
    job.job.exposure_us = 1000; /* the plan refuses such a job file already */
    struct shoot_opts o = {.dir = small_path("sync"), .virtual_clock = true};
    assert_int_equal(shoot_new(&job, &o, &r, &why), E_INPUT);
    assert_non_null(strstr(why.text, "sync"));
    FILE *f = fopen(small_path("sync/stack.db"), "rb");
    assert_null(f);
    shoot_job_clear(&job);
}

static void an_existing_folder_is_refused_and_left_alone(void **state)
{
    (void)state;
    struct shoot_job job;
    struct run_result r;
    struct err why = {0};
    small_job("there", &(struct small){0}, &job);
    struct shoot_opts o = {.dir = test_folder(), .virtual_clock = true};
    assert_int_equal(shoot_new(&job, &o, &r, &why), E_INPUT);
    assert_non_null(strstr(why.text, "exists"));
    shoot_job_clear(&job);
}

static void a_camera_that_is_not_there_yet_is_said(void **state)
{
    (void)state;
    struct shoot_job job;
    struct run_result r;
    struct err why = {0};
    small_job("kind", &(struct small){0}, &job);
    strcpy(job.bench.camera.kind, "pinhole");
    struct shoot_opts o = {.dir = small_path("kind")};
    assert_int_equal(shoot_new(&job, &o, &r, &why), E_UNSUPPORTED);
    assert_non_null(strstr(why.text, "pinhole"));
    FILE *f = fopen(small_path("kind/stack.db"), "rb");
    assert_null(f);
    shoot_job_clear(&job);
}

static void a_silent_shutter_takes_longer_and_gives_the_same_places(void **state)
{
    (void)state;
    struct shoot_job job;
    struct seen says = {0}, silent = {0};
    struct run_result r;
    struct shoot_opts o = {.quiet_world = true};
    shoot("says", &(struct small){0}, &o, &job, &says, &r);
    int64_t short_us = r.duration_us;
    run_result_clear(&r);
    shoot_job_clear(&job);
    o = (struct shoot_opts){.quiet_world = true, .rig.silent_shutter = true};
    shoot("silent", &(struct small){0}, &o, &job, &silent, &r);
    assert_int_equal(r.end, RUN_WHOLE);
    /* the object's 300 ms come into the path of every slice but the last */
    assert_near((double)(r.duration_us - short_us), 300000.0 * (job.plan.slice_count), 50000);
    for (int32_t i = 0; i < says.shots; i++)
        assert_near(silent.focus_nm[i], says.focus_nm[i], 1);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

/* The closing frame lies on the first one in a bench where nothing moves, and is told apart in one where it
 * does. */
static void the_closing_frame_is_compared_with_the_first(void **state)
{
    (void)state;
    struct shoot_job job;
    struct seen seen = {0};
    struct run_result r;
    struct shoot_opts o = {.quiet_world = true};
    shoot("closing", &(struct small){.width_px = 320, .height_px = 240}, &o, &job, &seen, &r);
    assert_true(r.closing.done);
    assert_true(r.closing.shift_known);
    assert_near(r.closing.dx_px, 0, 0.2);
    assert_near(r.closing.dy_px, 0, 0.2);
    assert_near(r.closing.light_stops, 0, 0.05);
    assert_int_equal(r.findings.count, 0);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

static void a_lamp_that_drifts_is_told_by_the_closing_frame(void **state)
{
    (void)state;
    struct shoot_job job;
    struct seen seen = {0};
    struct run_result r;
    struct shoot_opts o = {.quiet_world = true};
    /* 10 stops an hour over about 20 s of run with a 100 s delay between: the run lasts 2 minutes of settling
     */
    shoot("drift", &(struct small){.settle_ms = 20000, .scene = "  lamp_drift_stops_per_hour: -10\n"}, &o,
          &job, &seen, &r);
    double wanted = -10.0 * (double)(seen.open_us[seen.shots - 1] - seen.open_us[0]) / 3.6e9;
    print_message("measured: lamp drift %.3f stops, truth %.3f\n", r.closing.light_stops, wanted);
    assert_near(r.closing.light_stops, wanted, 0.15 * fabs(wanted));
    assert_int_equal(r.findings.count, 1);
    assert_string_equal(r.findings.rows[0].code, "light-drift");
    run_result_clear(&r);
    shoot_job_clear(&job);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_slice_is_exposed_where_the_plan_wants_it),
        cmocka_unit_test(a_retake_is_approached_from_the_near_side_again),
        cmocka_unit_test(the_shutter_waits_for_the_settle_and_the_start_delay),
        cmocka_unit_test(slow_measuring_holds_the_shutter),
        cmocka_unit_test(a_flash_gets_its_recycle_time),
        cmocka_unit_test(a_misfire_is_shot_again_and_its_frame_stays),
        cmocka_unit_test(a_first_flash_that_does_not_fire_is_noticed_too),
        cmocka_unit_test(an_exposure_shorter_than_the_sync_is_refused_before_anything_is_made),
        cmocka_unit_test(an_existing_folder_is_refused_and_left_alone),
        cmocka_unit_test(a_camera_that_is_not_there_yet_is_said),
        cmocka_unit_test(a_silent_shutter_takes_longer_and_gives_the_same_places),
        cmocka_unit_test(the_closing_frame_is_compared_with_the_first),
        cmocka_unit_test(a_lamp_that_drifts_is_told_by_the_closing_frame),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
