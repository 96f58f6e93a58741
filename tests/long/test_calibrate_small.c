/* Calibration of small pictures, all of its parts in few seconds, so that the sanitizers see them, too: a
 * rail that loses steps, and the motor of a lens with its orders. What it finds is tested elsewhere
 * (test_calibrate*.c); here that each part was come by. */
#include "tests/support/test.h"

#include "tests/support/calibration.h"

static struct calibration calibrated(const char *axis, const char *job)
{
    char text[700];
    struct calibration c;
    struct err why = {0};
    snprintf(text, sizeof text,
             "camera: {kind: simulated, width_px: 300, height_px: 200, sensor_width_mm: 24}\n%s\n"
             "lens: {focal_length_mm: 35, f_number: 2.8}\nlight: {kind: continuous}\n",
             axis);
    calibration_put("bench.yaml", text);
    snprintf(text, sizeof text, "bench: bench.yaml\nmagnification: 4\nexposure_s: 0.25\nseed: 3\n%s\n", job);
    calibration_put("job.yaml", text);
    struct axis_session *s = calibration_open();
    const struct calibrate_opts wish = {.progress = NULL};
    if (calibrate_axis(s, &wish, &c, &why)) fail_msg("%s", why.text);
    axis_session_close(s);
    return c;
}

static void a_rail_that_loses_steps(void **state)
{
    (void)state;
    const struct calibration c =
        calibrated("axis: {kind: rail, link: simulated, lead_mm: 2, steps_per_rev: 200, microsteps: 16,\n"
                   "       clearance_mm: 12, speed_mm_per_s: 2}",
                   "near_mm: 0\nfar_mm: 6\nscene: {shows: ruler, near_mm: -1.6, backlash_um: 12, "
                   "motor_strength: 0.0755}");
    assert_int_equal(c.way_count, CALIBRATE_WAYS);
    assert_true(c.ways[CALIBRATE_WAYS - 1].lost);
    assert_true(isfinite(c.repeat_nm));
    assert_int_equal(c.sizes.orders[0], 0);
    assert_near(c.backlash_nm, 12000, 3 * c.backlash_uncertainty_nm);
}

static void the_motor_of_a_lens(void **state)
{
    (void)state;
    const struct calibration c = calibrated("axis: {kind: lens, um_per_count: 4, range_counts: 9000}",
                                            "depth_mm: 4\nscene: {shows: ruler, backlash_um: 72}");
    assert_false(c.sizes.named);
    assert_near(c.sizes.ratio[0], (double)c.sizes.orders[1] / c.sizes.orders[0], 4 * c.sizes.uncertainty[0]);
    assert_near(c.sizes.ratio[1], (double)c.sizes.orders[2] / c.sizes.orders[1], 4 * c.sizes.uncertainty[1]);
    assert_near(c.backlash_nm, 72000, 4 * c.backlash_uncertainty_nm);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_rail_that_loses_steps),
        cmocka_unit_test(the_motor_of_a_lens),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
