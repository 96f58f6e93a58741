/* staddle axis calibrate with the motor of a lens, by the built program through the unmodified libgphoto2 on
 * an emulated camera, in real time: the play between the emulator's motor and its glass is found. */
#include "tests/support/test.h"

#include <sys/stat.h>
#include <unistd.h>

#include "tests/support/emulated.h"
#include "tests/support/lens_calibration.h"
#include "tests/support/program.h"

/* It counts: orders of any length go as far as they say. */
static void the_play_of_an_emulated_lens_is_found(void **state)
{
    (void)state;
    const struct emulated_job j = lens_calibration_job(PTP_RANGE_DRIVE, "lens", NULL);
    const struct ptp_camera_opts camera = emulated_camera(&j);
    struct ptp_ip *ip = ptp_ip_start(&camera);
    json_t *o = lens_calibration_run(&j, ip);
    const json_t *sizes = json_object_get(json_object_get(o, "calibration"), "sizes"),
                 *orders = json_object_get(sizes, "orders");
    lens_calibration_play(o);
    double counts[3];
    for (size_t i = 0; i < 3; i++)
        counts[i] = json_number_value(json_array_get(orders, i));
    assert_true(json_is_false(json_object_get(sizes, "named")));
    lens_calibration_ratio(o, "medium_to_small", counts[1] / counts[0], 0.05);
    lens_calibration_ratio(o, "large_to_medium", counts[2] / counts[1], 0.05);
    struct said kept = shell("cd %s/lens && grep backlash_um bench.measured.yaml && ! grep -q to_ "
                             "bench.measured.yaml",
                             test_folder());
    assert_int_equal(kept.status, 0);
    said_clear(&kept);
    json_decref(o);
    ptp_ip_stop(ip);
}

/* Ctrl-C in the middle: status 3, nothing is kept, and the lens stands still from then on. */
static void ctrl_c_ends_it_and_keeps_nothing(void **state)
{
    (void)state;
    const struct emulated_job j = lens_calibration_job(PTP_RANGE_DRIVE, "broken-off", NULL);
    const struct ptp_camera_opts camera = emulated_camera(&j);
    struct ptp_ip *ip = ptp_ip_start(&camera);
    emulated_write(&j, ip);
    program_begin("axis calibrate %s/broken-off/job.yaml", test_folder());
    for (int i = 0; i < 6000 && emulated_now(ip).move_count < 10; i++)
        usleep(10000);
    struct said r = program_interrupt();
    const struct ptp_camera after = emulated_now(ip);
    if (r.status != 3) print_error("%d: %s\n", r.status, r.err);
    assert_int_equal(r.status, 3);
    assert_true(after.move_count >= 10);
    assert_int_equal(emulated_now(ip).move_count, after.move_count);
    said_clear(&r);
    r = shell("test -e %s/broken-off/bench.measured.yaml", test_folder());
    assert_int_equal(r.status, 1);
    said_clear(&r);
    ptp_ip_stop(ip);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(the_play_of_an_emulated_lens_is_found),
                                       cmocka_unit_test(ctrl_c_ends_it_and_keeps_nothing)};
    return cmocka_run_group_tests(tests, emulated_private_home, NULL);
}
