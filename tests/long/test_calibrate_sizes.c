/* staddle axis calibrate with a lens's motor that moves by named sizes, by the built program through the
 * unmodified libgphoto2 on an emulated camera, in real time: what the sizes are worth is found and used. */
#include "tests/support/test.h"

#include <sys/stat.h>

#include "tests/support/emulated.h"
#include "tests/support/lens_calibration.h"
#include "tests/support/program.h"

/* Its bench file says 6 and 30; what it really makes is another. From then on it is driven by what was found.
 */
static void the_sizes_of_an_emulated_lens_are_found_and_used(void **state)
{
    (void)state;
    static const int32_t TRUE_SIZES[3] = {1, 9, 38};
    const struct emulated_job j = lens_calibration_job(PTP_NAMED_SIZES, "named", TRUE_SIZES);
    const struct ptp_camera_opts camera = emulated_camera(&j);
    struct ptp_ip *ip = ptp_ip_start(&camera);
    json_t *o = lens_calibration_run(&j, ip);
    lens_calibration_play(o);
    lens_calibration_ratio(o, "medium_to_small", 9, 0.05);
    lens_calibration_ratio(o, "large_to_medium", 38.0 / 9, 0.05);
    struct said plan =
        shell("cd %s/named && staddle plan job.yaml --json | jq -r '.inputs[] | select(.key == "
              "\"axis.size_counts\") | \"\\(.from) \\(.value)\"'",
              test_folder());
    assert_memory_equal(plan.out, "measured 9, ", strlen("measured 9, "));
    said_clear(&plan);
    const int32_t before = emulated_now(ip).move_count;
    struct said r =
        shell("cd %s/named && HOME=$PWD/home staddle axis jog 90um job.yaml", test_folder()); /* 9 counts */
    if (r.status) print_error("%s\n", r.err);
    assert_int_equal(r.status, 0);
    const struct ptp_camera after = emulated_now(ip);
    assert_int_equal(after.move_count, before + 1);
    assert_int_equal(after.moves[before].asked, 9);
    said_clear(&r);
    json_decref(o);
    ptp_ip_stop(ip);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_sizes_of_an_emulated_lens_are_found_and_used),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
