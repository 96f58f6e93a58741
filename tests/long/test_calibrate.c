/* staddle axis calibrate on the simulated bench, by the built program, of a ruler aslant: the play that is
 * planted in the world is found within its uncertainty, is kept beside the bench file, and comes before it.
 */
#include "tests/support/test.h"

#include <jansson.h>
#include <png.h>
#include <sys/stat.h>

#include "tests/support/calibration.h"
#include "tests/support/program.h"
#include "tests/support/ruler_picture.h"

enum { W = 900, H = 600 };

static void put_png(const char *name, const void *pixels, png_uint_32 format)
{
    char path[600];
    png_image image = {.version = PNG_IMAGE_VERSION, .width = W, .height = H, .format = format};
    snprintf(path, sizeof path, "%s/%s", test_folder(), name);
    assert_true(png_image_write_to_file(&image, path, 0, pixels, 0, NULL));
}

/* 6 mm across, marks 0.1 mm apart, deeper by 4 mm from left to right. */
static int set_up(void **state)
{
    (void)state;
    uint8_t *luma = ruler_draw(&(struct ruler_drawn){
        .w = W, .h = H, .period_px = 15, .mark = 0.4, .length = {30, 30, 30}, .offset = -150, .noise = 6});
    uint8_t *depth = malloc((size_t)W * H);
    for (int i = 0; i < W * H; i++)
        depth[i] = (uint8_t)(10 + i % W * 240 / W);
    put_png("ruler.png", luma, PNG_FORMAT_GRAY);
    put_png("aslant.png", depth, PNG_FORMAT_GRAY);
    free(luma);
    free(depth);
    calibration_put("bench.yaml",
                    "camera: {kind: simulated, width_px: 900, height_px: 600, sensor_width_mm: 24}\n"
                    "axis: {kind: rail, link: simulated, lead_mm: 2, steps_per_rev: 200, microsteps: 16,\n"
                    "       clearance_mm: 8, backlash_um: 5, speed_mm_per_s: 2}\n"
                    "lens: {focal_length_mm: 35, f_number: 2.8}\nlight: {kind: continuous}\n");
    return 0;
}

static void write_job(const char *bench, const char *depth, double backlash_um, int seed)
{
    char job[700];
    snprintf(job, sizeof job,
             "bench: %s\nmagnification: 4\n%s\nexposure_s: 0.25\nseed: %d\n"
             "scene: {picture: ruler.png, depth_map: aslant.png, depth_map_is: distance, backlash_um: %g}\n",
             bench, depth, seed, backlash_um);
    calibration_put("job.yaml", job);
}

static json_t *calibrated(const char *bench, const char *depth, double backlash_um, int seed)
{
    write_job(bench, depth, backlash_um, seed);
    struct said r = shell("cd %s && staddle axis calibrate job.yaml %s --json", test_folder(),
                          strcmp(bench, "lens.yaml") ? "--home" : "");
    if (r.status) print_error("%s\n", r.err);
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.err, "keep fingers and cables clear"));
    json_t *o = json_loads(r.out, 0, NULL);
    assert_non_null(o);
    said_clear(&r);
    return o;
}

static double told(const json_t *o, const char *key)
{
    return json_number_value(json_object_get(json_object_get(o, "calibration"), key));
}

static void the_planted_play_is_found_and_kept(void **state)
{
    (void)state;
    static const double plays_um[] = {12, 47};
    for (int i = 0; i < 2; i++) {
        json_t *o = calibrated("bench.yaml", "near_mm: 0\nfar_mm: 4", plays_um[i], 5 + i);
        const double um = told(o, "backlash_um"), sigma = told(o, "backlash_uncertainty_um");
        printf("measured: a play of %.0f um found %+.2f um off, said %.2f; lost %+.2f, said %.2f; met again "
               "within %.2f\n",
               plays_um[i], um - plays_um[i], sigma, told(o, "lost_um"), told(o, "lost_uncertainty_um"),
               told(o, "repeat_um"));
        assert_near(um, plays_um[i], 3 * sigma);
        assert_true(sigma < 2);
        assert_near(told(o, "lost_um"), 0, 3 * told(o, "lost_uncertainty_um"));
        struct said plan = shell("cd %s && staddle plan job.yaml --json | jq -r '.inputs[] | select(.key == "
                                 "\"axis.backlash_um\") | \"\\(.from) \\(.value)\"'",
                                 test_folder());
        char wanted[64];
        snprintf(wanted, sizeof wanted, "measured %.1f", um);
        assert_memory_equal(plan.out, wanted, strlen("measured 1"));
        assert_near(atof(plan.out + strlen("measured ")), um, 0.01);
        said_clear(&plan);
        json_decref(o);
    }
    struct said same =
        shell("grep -c 'backlash_um: 5,' %s/bench.yaml", test_folder()); /* as it was written */
    assert_int_equal(same.status, 0);
    said_clear(&same);
}

static void push_the_set(void *arg, int32_t done, int32_t of)
{
    struct axis_session *s = arg;
    (void)of;
    if (done == 48) world_meddle(s->rig->world, &(struct world_meddling){.away_um = 15});
}

/* Steps lost toward the subject look as if the set had gone away from it: it is pushed by 15 um after the
 * first two sweeps. */
static void what_was_lost_in_between_is_told(void **state)
{
    (void)state;
    struct calibration c;
    struct err why = {0};
    write_job("bench.yaml", "near_mm: 0\nfar_mm: 4", 12, 9);
    struct axis_session *s = calibration_open();
    const struct calibrate_opts wish = {.progress = push_the_set, .arg = s};
    if (calibrate_axis(s, &wish, &c, &why)) fail_msg("%s", why.text);
    printf("measured: a set pushed by 15 um: %.2f um told, said %.2f; play %+.2f um off\n", c.lost_nm / 1000,
           c.lost_uncertainty_nm / 1000, c.backlash_nm / 1000 - 12);
    assert_near(c.lost_nm, -15000, 3 * c.lost_uncertainty_nm);
    assert_near(c.backlash_nm, 12000, 3 * c.backlash_uncertainty_nm);
    axis_session_close(s);
}

/* The motor of a lens, which knows no place: it begins where it is focused. A count is 4 um. */
static void a_lens_has_its_play_found_too(void **state)
{
    (void)state;
    calibration_put("lens.yaml",
                    "camera: {kind: simulated, width_px: 900, height_px: 600, sensor_width_mm: 24}\n"
                    "axis: {kind: lens, um_per_count: 4, backlash_counts: 1, range_counts: 9000}\n"
                    "lens: {focal_length_mm: 35, f_number: 2.8}\nlight: {kind: continuous}\n");
    json_t *o = calibrated("lens.yaml", "depth_mm: 4", 72, 3);
    const double um = told(o, "backlash_um"), sigma = told(o, "backlash_uncertainty_um");
    printf("measured: a lens's play of 18 counts found %+.2f counts off, said %.2f\n", (um - 72) / 4,
           sigma / 4);
    assert_near(um, 72, 3 * sigma);
    assert_true(sigma < 8);
    struct said plan = shell("cd %s && staddle plan job.yaml", test_folder());
    assert_non_null(strstr(plan.out, "found at the bench: axis.backlash_um"));
    said_clear(&plan);
    json_decref(o);
}

static void what_does_not_belong_there_is_refused_with_its_line(void **state)
{
    (void)state;
    calibration_put("job.yaml",
                    "bench: bench.yaml\nmagnification: 4\nnear_mm: 0\nfar_mm: 4\nexposure_s: 0.25\n");
    calibration_put("bench.measured.yaml",
                    "measured:\n  backlash_um: 3\n  backlash_uncertainty_um: 1\n  backlash_at: now\n"
                    "lens: {f_number: 4}\n");
    struct said r = shell("cd %s && staddle plan job.yaml", test_folder());
    assert_int_equal(r.status, 2);
    assert_non_null(strstr(r.err, "bench.measured.yaml:5: "));
    said_clear(&r);
    r = shell("rm %s/bench.measured.yaml", test_folder());
    said_clear(&r);
}

/* A way that leaves the limits is refused before anything moves. */
static void limits_are_respected(void **state)
{
    (void)state;
    struct said r = shell("cd %s && staddle axis calibrate job.yaml --home --at 8mm", test_folder());
    assert_int_equal(r.status, 2);
    assert_non_null(strstr(r.err, "clearance_mm"));
    assert_null(strstr(r.err, "forth and back"));
    said_clear(&r);
    r = shell("cd %s && staddle axis calibrate job.yaml", test_folder()); /* it knows no place yet */
    assert_int_equal(r.status, 4);
    said_clear(&r);
    r = shell("cd %s && staddle axis calibrate --bench bench.yaml", test_folder());
    assert_int_equal(r.status, 2);
    assert_non_null(strstr(r.err, "needs a JOB"));
    said_clear(&r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_planted_play_is_found_and_kept),
        cmocka_unit_test(what_was_lost_in_between_is_told),
        cmocka_unit_test(a_lens_has_its_play_found_too),
        cmocka_unit_test(what_does_not_belong_there_is_refused_with_its_line),
        cmocka_unit_test(limits_are_respected),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
