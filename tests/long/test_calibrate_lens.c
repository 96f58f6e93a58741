/* staddle axis calibrate with the motor of a lens, by the built program through the unmodified libgphoto2 on
 * an emulated camera, in real time: the play between the emulator's motor and its glass is found. */
#include "tests/support/test.h"

#include <jansson.h>
#include <sys/stat.h>

#include "tests/support/emulated.h"
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

/* Ctrl-C in the middle: status 3, nothing is kept, and the lens stands still from then on. */
static void ctrl_c_ends_it_and_keeps_nothing(void **state)
{
    (void)state;
    const struct emulated_job j = {.family = PTP_RANGE_DRIVE,
                                   .slices = 12,
                                   .spacing_counts = 60,
                                   .backlash_counts = PLAY,
                                   .camera = {.scene = {.left = -3000, .right = 3000}},
                                   .folder = "broken-off"};
    const struct ptp_camera_opts camera = emulated_camera(&j);
    struct ptp_ip *ip = ptp_ip_start(&camera);
    emulated_write(&j, ip);
    struct said r =
        shell("cd %s/broken-off && HOME=$PWD/home timeout --preserve-status -s INT 3 staddle axis "
              "calibrate job.yaml",
              test_folder());
    const struct ptp_camera after = emulated_now(ip);
    if (r.status != 3) print_error("%d: %s\n", r.status, r.err);
    assert_int_equal(r.status, 3);
    assert_true(after.move_count > 1);
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
    return cmocka_run_group_tests(tests, NULL, NULL);
}
