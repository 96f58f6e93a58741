/* staddle plan as a person runs it: the text says nothing that the JSON lacks, every example plans, and bad
 * input is told with file and line, exit 2, and nothing written. */
#include "tests/support/test.h"

#include <glob.h>
#include <jansson.h>
#include <unistd.h>

#include "tests/support/numbers.h"
#include "tests/support/program.h"

static json_t *parse(const char *text)
{
    json_error_t error;
    json_t *json = json_loads(text, 0, &error);
    if (!json) print_error("line %d: %s\n", error.line, error.text);
    assert_non_null(json);
    return json;
}

static void check_says(const char *arguments)
{
    struct said text = program("plan %s", arguments), object = program("plan %s --json", arguments);
    assert_string_equal(text.err, "");
    assert_int_equal(text.status, object.status);
    json_t *json = parse(object.out);
    char missing[64] = "";
    if (!numbers_all_known(text.out, json, missing))
        print_error("plan %s: %s is not in the JSON\n", arguments, missing);
    assert_string_equal(missing, "");
    json_decref(json);
    said_clear(&text);
    said_clear(&object);
}

static void the_text_prints_no_number_that_the_json_lacks(void **state)
{
    (void)state;
    check_says("configs/demo-job.yaml");
    check_says("configs/demo-job.yaml --compare");
    check_says("configs/demo-job.yaml --within 90s --compare");
    check_says("configs/demo-job.yaml --within 10min");
    check_says("configs/demo-job.yaml --within 10h");
    check_says("configs/beetle-job.yaml --compare --within 3min");
    check_says("configs/coin-job.yaml --compare --within 1min");
}

static void write_text(const char *name, const char *text);

/* Shapes that are still, that ring on, that the motor cannot start; and a settle of the job's that is too
 * short. */
static void how_a_move_goes_is_told_in_numbers_of_the_json(void **state)
{
    (void)state;
    static const char *const rows[][3] = {
        {"", "", "each move shaped, ZVD and a box of 1 period, for 12 Hz within 10 %"},
        {", ring_uncertainty: 0.5", "", "follow it"},
        {", start_mm_per_s: 0.02", "", "each move by the ramp"},
        {", avoid_mm_per_s: '0.001-1.9'", "", "and the speeds to avoid"},
        {"", "settle_ms: 3\n", "settle 3 ms"},
        {", ring_uncertainty: 0.5", "settle_ms: 3\n", "settle longer, or leave settle_ms out"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char text[800];
        snprintf(text, sizeof text,
                 "camera: {width_px: 1800, height_px: 1200, sensor_width_mm: 24, busy_s: 0.3}\n"
                 "axis: {lead_mm: 2, steps_per_rev: 200, microsteps: 16, clearance_mm: 8, ring_hz: 12, "
                 "ring_zeta: 0.03%s}\n"
                 "lens: {focal_length_mm: 35, f_number: 2.8}\n",
                 rows[i][0]);
        write_text("b.yaml", text);
        snprintf(text, sizeof text, "bench: b.yaml\nmagnification: 4\ndepth_mm: 3\n%s", rows[i][1]);
        write_text("j.yaml", text);
        snprintf(text, sizeof text, "%s/j.yaml", test_folder());
        check_says(text);
        struct said s = program("plan %s", text);
        if (!strstr(s.out, rows[i][2])) print_error("%s", s.out);
        assert_non_null(strstr(s.out, rows[i][2]));
        said_clear(&s);
    }
}

/* The check itself: a number that is changed is found. */
/* On benches whose axis or camera is a person's the run does not take it: told before, not after. */
static void the_quiet_frame_is_told_with_its_time_or_why_not(void **state)
{
    (void)state;
    static const char *const benches[] = {"demo", "knob", "cable"};
    for (int i = 0; i < 3; i++) {
        char text[600], arguments[700], cwd[400];
        assert_non_null(getcwd(cwd, sizeof cwd));
        snprintf(text, sizeof text,
                 "bench: %s/configs/%s-bench.yaml\nmagnification: 1\ndepth_mm: 1\nquiet_frame: true\n", cwd,
                 benches[i]);
        write_text("quiet.yaml", text);
        snprintf(arguments, sizeof arguments, "%s/quiet.yaml", test_folder());
        check_says(arguments);
        struct said s = program("plan %s", arguments);
        assert_int_equal(strstr(s.out, "for the quiet one") != NULL, i == 0);
        assert_int_equal(strstr(s.out, "the quiet frame will not be taken: ") != NULL, i > 0);
        said_clear(&s);
    }
}

static void a_planted_number_is_found(void **state)
{
    (void)state;
    struct said text = program("plan configs/demo-job.yaml"),
                object = program("plan configs/demo-job.yaml --json");
    json_t *json = parse(object.out);
    static const char *const planted[][2] = {{"f/14", "f/94"},           {"73.6", "73.7"},
                                             {"2 min 6 s", "2 min 8 s"}, {"38 %", "58 %"},
                                             {"80 slices", "81 slices"}, {"0.0906", "0.0907"}};
    for (size_t i = 0; i < sizeof planted / sizeof *planted; i++) {
        char missing[64] = "";
        char *wrong = strdup(text.out), *at = strstr(wrong, planted[i][0]);
        assert_non_null(at);
        memcpy(at, planted[i][1], strlen(planted[i][1]));
        assert_false(numbers_all_known(wrong, json, missing));
        free(wrong);
    }
    json_decref(json);
    said_clear(&text);
    said_clear(&object);
}

static void every_example_can_be_planned(void **state)
{
    (void)state;
    glob_t found;
    assert_int_equal(glob("configs/*-job.yaml", 0, NULL, &found), 0);
    assert_true(found.gl_pathc >= 3);
    for (size_t i = 0; i < found.gl_pathc; i++) {
        struct said s = program("plan %s --json", found.gl_pathv[i]);
        assert_string_equal(s.err, "");
        json_t *json = parse(s.out);
        assert_int_equal(json_array_size(json_object_get(json, "findings")), 0);
        assert_int_equal(s.status, 0);
        json_decref(json);
        said_clear(&s);
    }
    globfree(&found);
}

/* Made up in the words: the demo's numbers come out of the rule, not out of the file. */
static void the_demo_takes_eighty_slices(void **state)
{
    (void)state;
    struct said s = program("plan configs/demo-job.yaml --json");
    json_t *json = parse(s.out);
    const json_t *slices = json_object_get(json, "slices"), *spacing = json_object_get(json, "spacing");
    assert_int_equal(json_integer_value(json_object_get(slices, "count")), 80);
    assert_int_equal(json_integer_value(json_object_get(slices, "inner")), 76);
    assert_near(json_number_value(json_object_get(spacing, "wanted_um")), 45.9, 0.05);
    json_decref(json);
    said_clear(&s);
}

static void every_number_says_where_it_came_from(void **state)
{
    (void)state;
    struct said s = program("plan configs/demo-job.yaml --json");
    json_t *json = parse(s.out);
    size_t i;
    json_t *row;
    int given = 0, defaults = 0;
    json_array_foreach (json_object_get(json, "inputs"), i, row) {
        const char *from = json_string_value(json_object_get(row, "from"));
        const char *key = json_string_value(json_object_get(row, "key")), *last = strrchr(key, '.');
        const int line = (int)json_integer_value(json_object_get(row, "line"));
        defaults += !strcmp(from, "default");
        if (!strcmp(from, "default")) continue;
        given++;
        struct said at = shell("sed -n %dp configs/demo-%s.yaml", line, from);
        assert_non_null(
            strstr(at.out, last ? last + 1 : key)); /* that line of that file really has that key */
        said_clear(&at);
    }
    assert_true(given >= 15 && defaults >= 4);
    json_decref(json);
    said_clear(&s);
}

/* --- bad input --- */

#define BENCH_TOP                                                                                            \
    "camera: {width_px: 1800, height_px: 1200, sensor_width_mm: 24}\n"                                       \
    "axis: {lead_mm: 2, steps_per_rev: 200, microsteps: 16, clearance_mm: 8}\n"

static void write_text(const char *name, const char *text)
{
    char path[600];
    snprintf(path, sizeof path, "%s/%s", test_folder(), name);
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
}

struct bad {
    const char *bench, *job, *message; /* the message's end, after the folder */
};

static void bad_input_is_told_once_and_clearly(void **state)
{
    (void)state;
    static const char good[] = BENCH_TOP "lens: {focal_length_mm: 35, f_number: 2.8}\n";
    static const struct bad table[] = {
        {good, "bench: b.yaml\nmagnificaton: 4\n",
         "j.yaml:2: magnificaton: a job file has no such key; did you mean magnification?\n"},
        {good, "bench: b.yaml\nmagnification: .nan\n",
         "j.yaml:2: magnification: .nan is no finite number; write a number from 0.01 to 100\n"},
        {good, "bench: b.yaml\nmagnification: 4\ndepth_mm: 3\nspacing_um: -10\n",
         "j.yaml:4: spacing_um: -10 is out of range; write a number from 0.01 to 100000\n"},
        {BENCH_TOP "lens:\n  f_number: 0\n", "bench: b.yaml\nmagnification: 4\ndepth_mm: 3\n",
         "b.yaml:4: lens.f_number: 0 is out of range; write a number from 0.5 to 128\n"},
        {good, "bench: b.yaml\nmagnification: 4\nnear_mm: 3\nfar_mm: 1\n",
         "j.yaml:4: near_mm 3 lies behind far_mm 1; positions grow away from the camera, so exchange them\n"},
        {good, "bench: b.yaml\nmagnification: 4\ndepth_mm: 42.5\nspacing_um: 8.5\n",
         "j.yaml:3: 42.5 mm at 8.5 um take 5001 slices and 4 of margin, more than 4000; shoot at most 33.957 "
         "mm, or "
         "every 10.64 um, or close the aperture\n"},
        {good, "bench: b.yaml\nmagnification: 4\ndepth_mm: 7.95\n",
         "b.yaml:2: the last slice lies 8.041 mm beyond the near mark, and the axis may go 8 mm toward the "
         "subject; shoot "
         "less depth, or make room and raise clearance_mm\n"},
        {good, "bench: b.yaml\nmagnification: 4\ndepth_mm: 3\nslices: 4001\n",
         "j.yaml:4: slices: 4001 is out of range; write a whole number from 1 to 4000\n"},
        {good, "magnification: 4\n",
         "j.yaml:1: bench is missing; write which bench file it is for, or give --bench FILE\n"},
        {good, "", "j.yaml:1: the file is empty; a job file has keys in it\n"},
        {"camera: {width_px: 1800, height_px: 1200, sensor_width_mm: 24}\n"
         "axis: {lead_mm: 2, steps_per_rev: 200, microsteps: 16, ring_zeta: 0.1}\nlens: {f_number: 4}\n",
         "bench: b.yaml\nmagnification: 4\ndepth_mm: 3\n",
         "b.yaml:2: axis.ring_zeta says nothing without axis.ring_hz; write that, or leave this out\n"},
        {"camera: {width_px: 1800, height_px: 1200, sensor_width_mm: 24}\n"
         "axis:\n  lead_mm: 2\n  steps_per_rev: 200\n  microsteps: 16\n  avoid_mm_per_s: 2-1\nlens: "
         "{f_number: 4}\n",
         "bench: b.yaml\nmagnification: 4\ndepth_mm: 3\n",
         "b.yaml:6: axis.avoid_mm_per_s: 2-1 is not a list of speeds; write at most 4 ranges up to 200, as "
         "0.8-1.2, "
         "4-5\n"},
        {good, "bench: c.yaml\nmagnification: 4\n", NULL},
    };
    char dir[512];
    snprintf(dir, sizeof dir, "%s", test_folder());
    for (size_t i = 0; i < sizeof table / sizeof *table; i++) {
        write_text("b.yaml", table[i].bench);
        write_text("j.yaml", table[i].job);
        struct said before = shell("ls -l --time-style=full-iso %s/*.yaml", dir);
        struct said s = program("plan %s/j.yaml", dir);
        struct said after =
            shell("ls -l --time-style=full-iso %s/*.yaml; ls %s | grep -v -e said -e yaml", dir, dir);
        assert_int_equal(s.status, 2);
        assert_string_equal(s.out, "");
        if (table[i].message) {
            char wanted[1200];
            snprintf(wanted, sizeof wanted, "%s/%s", dir, table[i].message);
            assert_string_equal(s.err, wanted);
        } else {
            assert_non_null(strstr(s.err, "j.yaml:1: bench: "));
            assert_non_null(strstr(s.err, "c.yaml: cannot open"));
        }
        assert_string_equal(after.out, before.out);
        said_clear(&before);
        said_clear(&s);
        said_clear(&after);
    }
}

static void a_job_that_is_not_there_is_exit_two(void **state)
{
    (void)state;
    struct said s = program("plan nowhere.yaml");
    assert_int_equal(s.status, 2);
    assert_string_equal(s.err, "nowhere.yaml: cannot open: No such file or directory\n");
    said_clear(&s);
    static const char *const bad_times[] = {"soon", "-5", "5d", "0", "99999h", "1e3", "nan", "''"};
    for (size_t i = 0; i < sizeof bad_times / sizeof *bad_times; i++) {
        s = program("plan configs/demo-job.yaml --within=%s", bad_times[i]);
        assert_int_equal(s.status, 2);
        assert_non_null(strstr(s.err, "give a time up to a week"));
        said_clear(&s);
    }
    s = program("plan configs/demo-job.yaml --within 5s");
    assert_int_equal(s.status, 2);
    assert_non_null(strstr(s.err, "5 s are too short: even "));
    said_clear(&s);
}

static void a_limit_that_is_broken_is_exit_one(void **state)
{
    (void)state;
    struct said fits = program("plan configs/demo-job.yaml --within 3min --quiet");
    assert_int_equal(fits.status, 0);
    assert_string_equal(fits.out, "");
    struct said breaks = program("plan configs/demo-job.yaml --within 90 --json");
    assert_int_equal(breaks.status, 1);
    json_t *json = parse(breaks.out);
    const json_t *w = json_object_get(json, "within");
    assert_true(json_number_value(json_object_get(w, "total_s")) <= 90);
    /* Each way out, taken, keeps the limit. */
    char command[400];
    snprintf(command, sizeof command,
             "cd configs && sed 's/exposure_s.*/&\\nsettle_ms: %.0f/' demo-job.yaml >%s/settled.yaml && "
             "sed 's/far_mm.*/far_mm: %.6f/' demo-job.yaml >%s/shallow.yaml && cp demo-bench.yaml %s",
             json_number_value(json_object_get(w, "settle_ms_that_fits")), test_folder(),
             json_number_value(json_object_get(w, "depth_mm_that_fits")), test_folder(), test_folder());
    struct said made = shell("%s", command);
    assert_int_equal(made.status, 0);
    static const char *const names[] = {"settled", "shallow"};
    for (size_t i = 0; i < 2; i++) {
        struct said s = program("plan %s/%s.yaml --within 90 --quiet", test_folder(), names[i]);
        assert_string_equal(s.err, "");
        assert_int_equal(s.status, 0);
        said_clear(&s);
    }
    json_decref(json);
    said_clear(&made);
    said_clear(&fits);
    said_clear(&breaks);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_text_prints_no_number_that_the_json_lacks),
        cmocka_unit_test(how_a_move_goes_is_told_in_numbers_of_the_json),
        cmocka_unit_test(the_quiet_frame_is_told_with_its_time_or_why_not),
        cmocka_unit_test(a_planted_number_is_found),
        cmocka_unit_test(every_example_can_be_planned),
        cmocka_unit_test(the_demo_takes_eighty_slices),
        cmocka_unit_test(every_number_says_where_it_came_from),
        cmocka_unit_test(bad_input_is_told_once_and_clearly),
        cmocka_unit_test(a_job_that_is_not_there_is_exit_two),
        cmocka_unit_test(a_limit_that_is_broken_is_exit_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
