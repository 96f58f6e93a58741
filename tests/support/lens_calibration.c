#include "tests/support/lens_calibration.h"

#include <string.h>

#include "tests/support/emulated.h"
#include "tests/support/program.h"
#include "tests/support/test.h"

struct emulated_job lens_calibration_job(enum ptp_family family, const char *folder, const int32_t *sizes)
{
    struct emulated_job j = {.family = family,
                             .slices = 12,
                             .spacing_counts = 60,
                             .backlash_counts = LENS_CALIBRATION_PLAY,
                             .camera = {.scene = {.left = -3000, .right = 3000}},
                             .folder = folder};
    if (sizes) memcpy(j.camera.sizes, sizes, sizeof j.camera.sizes);
    return j;
}

json_t *lens_calibration_run(const struct emulated_job *j, struct ptp_ip *ip)
{
    emulated_write(j, ip);
    struct said r = shell("cd %s/%s && sed -i 's/backlash_counts: 70/backlash_counts: 5/; s/f_number: "
                          "5.6/f_number: 2/' bench.yaml && "
                          "HOME=$PWD/home staddle axis calibrate job.yaml --json",
                          test_folder(), j->folder);
    if (r.status) print_error("%s\n", r.err);
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.err, "keep fingers and cables clear"));
    json_t *o = json_loads(r.out, 0, NULL);
    assert_non_null(o);
    said_clear(&r);
    return o;
}

static double told(const json_t *o, const char *part, const char *key)
{
    const json_t *c = json_object_get(o, "calibration");
    return json_number_value(json_object_get(part ? json_object_get(c, part) : c, key));
}

void lens_calibration_play(const json_t *o)
{
    const double counts = told(o, NULL, "backlash_counts"),
                 sigma = told(o, NULL, "backlash_uncertainty_um") / 10;
    printf(
        "measured: an emulated lens's play of %d counts: %.1f found, said %.1f; from %.0f places; the focus "
        "is %.0f counts wide\n",
        LENS_CALIBRATION_PLAY, counts, sigma, told(o, NULL, "places"), told(o, NULL, "focus_width_counts"));
    assert_near(counts, LENS_CALIBRATION_PLAY, 3 * sigma);
    assert_true(sigma < 12);
}

void lens_calibration_ratio(const json_t *o, const char *key, double truth, double share)
{
    char of_it[64];
    snprintf(of_it, sizeof of_it, "%s_uncertainty", key);
    const double found = told(o, "sizes", key), sigma = told(o, "sizes", of_it);
    printf("measured: %s of %.3f found as %.3f, said %.3f\n", key, truth, found, sigma);
    assert_near(found, truth, 3 * sigma);
    assert_true(sigma < share * truth);
}
