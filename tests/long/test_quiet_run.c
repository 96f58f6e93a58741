/* A whole run on the simulated bench that is not given time to settle, so that every frame is shaken alike by
 * the move before it: told by the quiet frame that the run takes at its end. That the bench shakes so is the
 * world's doing (sim/mechanics.h). */
#include "tests/support/test.h"

#include "tests/support/shell.h"

static void write_job(const char *name, int settle_ms)
{
    FILE *f = fopen(in_folder("bench.yaml"), "w");
    assert_non_null(f);
    fputs("camera: {width_px: 1200, height_px: 800, sensor_width_mm: 24, shutter_lag_ms: 50}\n"
          "axis: {lead_mm: 2, steps_per_rev: 200, microsteps: 16, clearance_mm: 8}\n"
          "lens: {focal_length_mm: 35, f_number: 2.8}\n",
          f);
    fclose(f);
    f = fopen(in_folder("%s", name), "w");
    assert_non_null(f);
    fprintf(f,
            "name: clock\nbench: bench.yaml\nmagnification: 4\nnear_mm: 1.6\nfar_mm: 2.5\nexposure_s: 0.25\n"
            "seed: 7\nstart_delay_s: 0\nquiet_frame: true\nsettle_ms: %d\n"
            "scene: {shows: clock, lateral_share: 6, near_mm: 0, depth_mm: 3.4}\n",
            settle_ms);
    fclose(f);
}

static int check(const char *stack)
{
    in_shell("%s check %s --json >%s.json", staddle_program(), stack, stack);
    return in_shell("jq -c '.quiet, [.findings[].code]' %s.json", stack);
}

static void a_run_without_time_to_settle_is_told_by_its_own_quiet_frame(void **state)
{
    (void)state;
    write_job("hasty.yaml", 60);
    assert_int_equal(in_shell("%s simulate hasty.yaml --stack hasty >&2", staddle_program()), 0);
    assert_int_equal(check("hasty"), 0);
    printf("measured: quiet frame, no time to settle: %s", shell_out());
    assert_int_equal(
        in_shell("jq -e '.quiet.state == \"shaken\" and .quiet.smear_px > 1.4 and "
                 "([.findings[] | select(.code == \"shaken\") | .grave] == [true]) and .blurred == []' "
                 "hasty.json"),
        0);
    write_job("patient.yaml", 4000);
    assert_int_equal(in_shell("%s simulate patient.yaml --stack patient >&2", staddle_program()), 0);
    assert_int_equal(check("patient"), 0);
    printf("measured: quiet frame, time to settle: %s", shell_out());
    assert_int_equal(in_shell("jq -e '.quiet.state == \"alike\" and .quiet.smear_px < 0.7' patient.json"), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_run_without_time_to_settle_is_told_by_its_own_quiet_frame),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
