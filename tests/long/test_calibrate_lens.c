/* staddle axis calibrate with the motor of a lens, by the built program through the unmodified libgphoto2 on
 * an emulated camera, in real time: the play between the emulator's motor and its glass is found. */
#include "tests/support/test.h"

#include <jansson.h>
#include <sys/stat.h>

#include "tests/support/emulated_stack.h"
#include "tests/support/program.h"

#define PLAY 70 /* counts */

static void the_play_of_an_emulated_lens_is_found(void **state)
{
    (void)state;
    const struct emulated_job j = {.family = PTP_RANGE_DRIVE,
                                   .slices = 12,
                                   .spacing_counts = 60,
                                   .backlash_counts = PLAY,
                                   .camera = {.scene = {.left = -3000, .right = 3000}},
                                   .folder = "lens"};
    const struct ptp_camera_opts camera = emulated_camera(&j);
    struct ptp_ip *ip = ptp_ip_start(&camera);
    emulated_write(&j, ip);
    struct said r = shell("cd %s/lens && sed -i 's/backlash_counts: 70/backlash_counts: 5/' bench.yaml && "
                          "HOME=$PWD/home staddle axis calibrate job.yaml --json",
                          test_folder());
    if (r.status) print_error("%s\n", r.err);
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.err, "keep fingers and cables clear"));
    json_t *o = json_loads(r.out, 0, NULL), *c = json_object_get(o, "calibration");
    const double counts = json_number_value(json_object_get(c, "backlash_counts")),
                 sigma = json_number_value(json_object_get(c, "backlash_uncertainty_um")) / 10;
    printf("measured: an emulated lens's play of %d counts: %.1f found, said %.1f; from %d places\n", PLAY,
           counts, sigma, (int)json_integer_value(json_object_get(c, "places")));
    assert_near(counts, PLAY, 3 * sigma);
    assert_true(sigma < 12);
    struct said kept = shell("grep backlash_um %s/lens/bench.measured.yaml", test_folder());
    assert_int_equal(kept.status, 0);
    said_clear(&kept);
    said_clear(&r);
    json_decref(o);
    ptp_ip_stop(ip);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(the_play_of_an_emulated_lens_is_found)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
