/* A lens as the axis of the simulated bench: planned, shot, lost sight of and found again without a camera.
 * The truth is the world's: where its plane of focus was when the shutter was open. */
#include "tests/support/test.h"

#include <math.h>

#include "device/camera_sim.h"
#include "plan/slices.h"
#include "tests/support/program.h"
#include "tests/support/small.h"

#define COUNT_UM 4.0
#define OFF_UM   24.0 /* a sixth of a spacing, where the place was found by picture */

struct trial {
    int64_t away_at_us;
    struct rig *rig;
    struct camera *camera;
    double off_um;
    int32_t shots;
};

static void write_files(const char *name, const char *more_of_axis)
{
    char file[64];
    snprintf(file, sizeof file, "%s-bench.yaml", name);
    FILE *f = fopen(small_path(file), "w");
    assert_non_null(f);
    fprintf(f,
            "camera: {width_px: 240, height_px: 160, sensor_width_mm: 24, shutter_lag_ms: 40}\n"
            "axis: {kind: lens, um_per_count: %g, backlash_counts: 3%s}\n"
            "lens: {focal_length_mm: 60, f_number: 4}\n",
            COUNT_UM, more_of_axis);
    fclose(f);
    snprintf(file, sizeof file, "%s-job.yaml", name);
    f = fopen(small_path(file), "w");
    assert_non_null(f);
    fprintf(f,
            "bench: %s-bench.yaml\nmagnification: 3\ndepth_mm: 1.5\nslices: 11\nexposure_s: 0.1\n"
            "settle_ms: 100\nstart_delay_s: 0\nseed: 3\n",
            name);
    fclose(f);
}

static void take_away(void *arg)
{
    struct trial *t = arg;
    camera_sim_unplug(t->camera, sched_now_us(t->rig->sched) + 20000000);
}

static void opened(void *arg, struct rig *r, struct store *st)
{
    struct trial *t = arg;
    (void)st;
    t->rig = r;
    if (t->away_at_us) sched_at(r->sched, t->away_at_us, take_away, t);
}

static struct camera *around_camera(void *arg, struct camera *camera)
{
    ((struct trial *)arg)->camera = camera;
    return camera;
}

/* Each release at the place of some slice. */
static void closing(void *arg, struct rig *r)
{
    struct trial *t = arg;
    const struct shot *log;
    t->shots = world_shots(r->world, &log);
    for (int32_t i = 0; i < t->shots; i++) {
        double sum = 0;
        for (int32_t k = 0; k < log[i].samples; k++)
            sum += log[i].focus_nm[k];
        const double um = sum / log[i].samples / 1000, beside = fabs(remainder(um, 150));
        if (beside > t->off_um) t->off_um = beside;
    }
}

static int shoot(const char *name, struct trial *t, struct run_result *r, struct err *why)
{
    char job_file[64];
    struct shoot_job job;
    snprintf(job_file, sizeof job_file, "%s-job.yaml", name);
    if (shoot_job_read(small_path(job_file), NULL, &job, why)) fail_msg("%s", why->text);
    struct shoot_opts o = {.dir = small_path(name),
                           .virtual_clock = true,
                           .workers = 1,
                           .opened = opened,
                           .closing = closing,
                           .arg = t,
                           .rig = {.wrap_camera = around_camera, .wrap_arg = t, .quiet_world = true}};
    int rc = shoot_new(&job, &o, r, why);
    shoot_job_clear(&job);
    return rc;
}

static void a_stack_is_shot_from_where_it_was_focused(void **state)
{
    (void)state;
    struct trial t = {0};
    struct run_result r;
    struct err why = {0};
    write_files("plain", "");
    if (shoot("plain", &t, &r, &why)) fail_msg("%s", why.text);
    small_check_whole(small_path("plain"), true);
    assert_int_equal(t.shots, 16);
    assert_true(t.off_um <= COUNT_UM / 2 + 0.5); /* a target is a whole count; the subject sways a little */
    run_result_clear(&r);
}

static void a_camera_that_was_away_finds_its_place_again_by_picture(void **state)
{
    (void)state;
    for (int moment = 0; moment < 4; moment++) {
        struct trial t = {.away_at_us = 6000000 + 190000 * moment};
        struct run_result r;
        struct err why = {0};
        char name[16];
        snprintf(name, sizeof name, "away%d", moment);
        write_files(name, "");
        if (shoot(name, &t, &r, &why)) fail_msg("%s", why.text);
        small_check_whole(small_path(name), true);
        print_message("measured: away for 20 s at %.2f s: at most %.1f um of 150 beside\n",
                      (double)t.away_at_us * 1e-6, t.off_um);
        assert_true(t.off_um <= OFF_UM);
        run_result_clear(&r);
    }
}

static bool killed(void *arg, int64_t events)
{
    return events >= *(const int64_t *)arg;
}

static void a_resumed_stack_goes_on_where_its_frames_say(void **state)
{
    (void)state;
    int64_t at = 140;
    struct trial t = {0}, again = {0};
    struct shoot_job job;
    struct run_result r;
    struct err why = {0};
    bool already;
    write_files("resumed", "");
    if (shoot_job_read(small_path("resumed-job.yaml"), NULL, &job, &why)) fail_msg("%s", why.text);
    struct shoot_opts o = {.dir = small_path("resumed"),
                           .virtual_clock = true,
                           .workers = 1,
                           .killed = killed,
                           .killed_arg = &at,
                           .closing = closing,
                           .arg = &t,
                           .rig = {.quiet_world = true}};
    assert_int_equal(shoot_new(&job, &o, &r, &why), E_PAUSED);
    assert_true(r.kept >= 5 && r.kept < 14);
    run_result_clear(&r);
    o.killed = NULL;
    o.arg = &again; /* the world begins anew, its lens at the near mark: not where the stack was left */
    if (shoot_resume(&o, &r, &already, &why)) fail_msg("%s", why.text);
    small_check_whole(small_path("resumed"), true);
    print_message("measured: resumed from a place nobody knew: at most %.1f um of 150 beside\n",
                  again.off_um);
    assert_true(again.off_um <= OFF_UM);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

static void more_than_the_lens_has_is_refused(void **state)
{
    (void)state;
    struct shoot_job job;
    struct err why = {0};
    write_files("long", ", range_counts: 400");
    assert_int_equal(shoot_job_read(small_path("long-job.yaml"), NULL, &job, &why), E_INPUT);
    assert_non_null(strstr(why.text, "long-bench.yaml:2: the stack takes"));
    assert_non_null(strstr(why.text, "from stop to stop it has 400; shoot less depth, or use a rail"));
}

/* A bench alone is no stack, whatever its lens can reach. */
static void a_bench_alone_can_be_looked_at(void **state)
{
    (void)state;
    static const char *const words[] = {"camera show configs/copy-stand-bench.yaml",
                                        "axis show --bench configs/copy-stand-bench.yaml"};
    for (size_t i = 0; i < sizeof words / sizeof *words; i++) {
        struct said s = program("%s", words[i]);
        if (s.status) fail_msg("%s: %s", words[i], s.err);
        said_clear(&s);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_stack_is_shot_from_where_it_was_focused),
        cmocka_unit_test(a_camera_that_was_away_finds_its_place_again_by_picture),
        cmocka_unit_test(a_resumed_stack_goes_on_where_its_frames_say),
        cmocka_unit_test(more_than_the_lens_has_is_refused),
        cmocka_unit_test(a_bench_alone_can_be_looked_at),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
