/* How long plan says that it takes, against a whole run on the simulated bench with the virtual controller's
 * own firmware stepping its own ramps. */
#include "tests/support/test.h"

#include <jansson.h>

#include "tests/support/program.h"

static void write_text(const char *name, const char *text)
{
    char path[600];
    snprintf(path, sizeof path, "%s/%s", test_folder(), name);
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
}

static double number_of(const char *arguments, const char *section, const char *key)
{
    struct said s = program("%s --json", arguments);
    assert_int_equal(s.status, 0);
    json_t *json = json_loads(s.out, 0, NULL);
    assert_non_null(json);
    const double value =
        json_number_value(json_object_get(section ? json_object_get(json, section) : json, key));
    json_decref(json);
    said_clear(&s);
    return value;
}

static void the_run_takes_as_long_as_planned(void **state)
{
    (void)state;
    static const char *const rows[][4] = {
        {"still", "speed_mm_per_s: 2", "light: {kind: continuous}\n", ""},
        {"slow", "speed_mm_per_s: 0.3", "light: {kind: continuous}\n", ""},
        {"flash", "speed_mm_per_s: 2", "light: {kind: flash, recycle_s: 2}\n", ""},
        {"rested", "speed_mm_per_s: 2", "light: {kind: continuous}\n", "quiet_frame: true\n"},
    };
    double without = 0;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char text[1000], plan[900], run[1900];
        snprintf(
            text, sizeof text,
            "camera: {width_px: 160, height_px: 120, sensor_width_mm: 24, shutter_lag_ms: 50}\n"
            "axis: {lead_mm: 2, steps_per_rev: 200, microsteps: 16, clearance_mm: 8, backlash_um: 20, %s}\n"
            "lens: {focal_length_mm: 35, f_number: 2.8}\n%s",
            rows[i][1], rows[i][2]);
        write_text("b.yaml", text);
        snprintf(text, sizeof text,
                 "bench: b.yaml\nmagnification: 4\ndepth_mm: 3.4\nslices: 12\nexposure_s: 0.25\n%s",
                 rows[i][3]);
        write_text("j.yaml", text);
        snprintf(plan, sizeof plan, "plan %s/j.yaml", test_folder());
        snprintf(run, sizeof run, "simulate %s/j.yaml --stack %s/%s", test_folder(), test_folder(),
                 rows[i][0]);
        const double planned = number_of(plan, "timeline", "total_s"),
                     took = number_of(run, NULL, "duration_s");
        printf("measured: %s: planned %.2f s, took %.2f s with the last file (bound: 0.5 %% and 2 s)\n",
               rows[i][0], planned, took);
        const double file_s =
            *rows[i][3] ? 4 : 2; /* the quiet frame waits for the last file, and is one more */
        assert_true(took > 0.995 * planned && took < 1.005 * planned + file_s);
        if (i == 0) without = planned;
        if (*rows[i][3]) assert_true(planned > without + 18); /* of rest */
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(the_run_takes_as_long_as_planned)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
