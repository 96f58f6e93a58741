/* A subject that drifts, and a rail that does not run along the lens's axis, on the simulated bench: from
 * frame to frame they look alike, in the closing frame they do not. What was put in is in the job files. */
#include "tests/support/test.h"

#include <jansson.h>

#include "tests/support/program.h"
#include "tests/support/small.h"

#define WIDTH_PX 640
#define PIXEL_UM (24000.0 / WIDTH_PX / 4) /* on the subject: the sensor is 24 mm wide, at 4:1 */
#define DEPTH_MM 2.0

/* What check says of the drift of a stack of a scene with these lines more; the findings' codes, one a word.
 */
static json_t *shoot_and_judge(const char *name, const char *scene, char *codes, size_t room)
{
    char lines[200];
    struct shoot_job job;
    snprintf(lines, sizeof lines, "  shows: clock\n  depth_mm: %.1f\n%s", DEPTH_MM, scene);
    small_job(name, &(struct small){.width_px = WIDTH_PX, .height_px = 428, .slices = 36, .scene = lines},
              &job);
    shoot_job_clear(&job);
    struct said r =
        program("simulate %s/%s-job.yaml --stack %s/%s", test_folder(), name, test_folder(), name);
    if (r.status) fail_msg("%s%s", r.out, r.err);
    said_clear(&r);
    r = program("check %s/%s --json", test_folder(), name);
    json_t *o = json_loads(r.out, 0, NULL), *drift = json_incref(json_object_get(o, "drift")), *finding;
    said_clear(&r);
    assert_non_null(drift);
    size_t at = 0, n;
    codes[0] = 0;
    json_array_foreach (json_object_get(o, "findings"), n, finding)
        at += (size_t)snprintf(codes + at, room - at, "%s ",
                               json_string_value(json_object_get(finding, "code")));
    json_decref(o);
    return drift;
}

static double number(const json_t *drift, const char *key)
{
    const json_t *v = json_object_get(drift, key);
    if (!json_is_number(v)) fail_msg("drift: %s is not known", key);
    return json_number_value(v);
}

/* Put in: um a minute to the right, and um aside for each mm that the rail goes in. */
static void the_closing_frame_tells_time_from_focus(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        double um_per_min, um_per_mm;
        bool drift, skew;
    } rows[] = {
        {"still", 0, 0, false, false}, {"drifts", 60, 0, true, false}, {"skewed", 0, -30, false, true}};
    for (size_t k = 0; k < sizeof rows / sizeof *rows; k++) {
        char scene[100], codes[400];
        snprintf(scene, sizeof scene, "  drift_um_per_min: %g\n  skew_um_per_mm: %g\n", rows[k].um_per_min,
                 rows[k].um_per_mm);
        json_t *d = shoot_and_judge(rows[k].name, scene, codes, sizeof codes);
        const double minutes = number(d, "minutes"),
                     put_in = (rows[k].um_per_min * minutes + rows[k].um_per_mm * DEPTH_MM) / PIXEL_UM;
        printf("measured: %s: %.2f px put in, %.2f told; in the closing frame %.2f told\n", rows[k].name,
               put_in, number(d, "x_px"), number(d, "closing_x_px"));
        assert_near(number(d, "x_px"), put_in, 1.5);
        /* some slices of margin lie beyond the depth, and the closing frame comes a little after the last one
         */
        assert_near(number(d, "closing_x_px"), rows[k].um_per_min * minutes / PIXEL_UM, 0.5);
        assert_int_equal(strstr(codes, "drift ") != NULL, rows[k].drift);
        assert_int_equal(strstr(codes, "skew ") != NULL, rows[k].skew);
        json_decref(d);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_closing_frame_tells_time_from_focus),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
