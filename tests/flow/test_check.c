/* staddle check, from files to words: real JPEGs of a textured slope are imported and judged by the built
 * program. */
#include "tests/support/test.h"

#include <jansson.h>
#include <stdbool.h>
#include <sys/stat.h>

#include "tests/support/numbers.h"
#include "tests/support/program.h"
#include "tests/support/slope.h"

#define FRAMES 24
static const struct slope whole = {.frames = FRAMES, .width_px = 480, .height_px = 320, .seed = 11};

/* Imports frames of a slope as stack `name` under the test's folder. */
static void stack_of(const char *name, const struct slope *s)
{
    char dir[600];
    snprintf(dir, sizeof dir, "%s/%s-files", test_folder(), name);
    assert_int_equal(mkdir(dir, 0777), 0);
    slope_write(dir, s);
    struct said r = program("import %s --order near-first --stack %s/%s", dir, test_folder(), name);
    assert_string_equal(r.err, "");
    assert_int_equal(r.status, 0);
    said_clear(&r);
}

static json_t *parse(const char *text)
{
    json_error_t e;
    json_t *o = json_loads(text, 0, &e);
    if (!o) print_error("%s\n", e.text);
    assert_non_null(o);
    return o;
}

static int set_up(void **state)
{
    const struct slope cut = {.frames = 48, .width_px = 320, .height_px = 240, .last = 30, .seed = 11};
    (void)state;
    stack_of("whole", &whole);
    stack_of("short", &cut);
    return 0;
}

static void a_whole_stack_is_said_to_be_whole(void **state)
{
    (void)state;
    struct said r = program("check %s/whole --json", test_folder());
    assert_string_equal(r.err, "");
    json_t *o = parse(r.out);
    if (r.status) print_error("%s\n", r.out);
    assert_int_equal(r.status, 0);
    assert_int_equal(json_integer_value(json_object_get(o, "frames")), FRAMES);
    assert_true(json_number_value(json_object_get(o, "covered_fraction")) > 0.99);
    assert_int_equal(json_array_size(json_object_get(o, "frame_list")), FRAMES);
    json_decref(o);
    said_clear(&r);
}

/* The frames of the far third of the slope are missing: the right-hand part is sharp in none. */
static void a_stack_that_ends_too_early_is_grave(void **state)
{
    (void)state;
    struct said r = program("check %s/short --json", test_folder());
    json_t *o = parse(r.out);
    assert_int_equal(r.status, 1);
    assert_true(json_number_value(json_object_get(o, "unsharp_after_fraction")) > 0.05);
    assert_memory_equal(json_string_value(json_object_get(o, "sentence")), "No: ", 4);
    json_decref(o);
    said_clear(&r);
}

/* The region holds only the left half, which the short stack covers. */
static void a_region_limits_the_question(void **state)
{
    (void)state;
    struct said r = program("check %s/short --region 40,40,120,120 --json", test_folder());
    json_t *o = parse(r.out);
    assert_int_equal(r.status, 0);
    assert_near(json_number_value(json_object_get(o, "unsharp_after_fraction")), 0, 0);
    json_decref(o);
    said_clear(&r);
}

static void text_says_no_number_that_the_json_lacks(void **state)
{
    (void)state;
    static const char *const stacks[] = {"whole", "short"};
    for (int i = 0; i < 2; i++) {
        struct said words = program("check %s/%s", test_folder(), stacks[i]);
        struct said json = program("check %s/%s --json", test_folder(), stacks[i]);
        json_t *o = parse(json.out);
        char missing[64] = "";
        if (!numbers_all_known(words.out, o, missing)) print_error("not in the JSON: %s\n", missing);
        assert_string_equal(missing, "");
        assert_false(numbers_all_known("it took 98765 frames", o, missing));
        assert_false(numbers_all_known("drifts by -0.731 stops", o, missing));
        json_decref(o);
        said_clear(&words);
        said_clear(&json);
    }
}

/* The manual names every key of the JSON object, and no other. */
static void the_manual_names_the_keys(void **state)
{
    (void)state;
    struct said manual =
        shell("sed -n '/^.Sh WHAT CHECK SAYS/,/^.El/p' src/staddle.1 | sed -n 's/^.It Va //p' | "
              "tr -d ' ' | tr ',' '\\n' | LC_ALL=C sort");
    struct said keys =
        shell("staddle check %s/whole --json | jq -r 'keys_unsorted[]' | LC_ALL=C sort", test_folder());
    assert_true(strlen(keys.out) > 200);
    assert_string_equal(manual.out, keys.out);
    said_clear(&manual);
    said_clear(&keys);
}

static void the_sentence_comes_first(void **state)
{
    (void)state;
    struct said r = program("check %s/whole", test_folder());
    assert_memory_equal(r.out, "Yes: every textured part of the subject is sharp in some frame.\n", 64);
    said_clear(&r);
    r = program("check %s/whole --quiet", test_folder());
    assert_string_equal(r.out, "");
    said_clear(&r);
}

static void pictures_and_page_lie_in_derived(void **state)
{
    (void)state;
    static const char *const names[] = {"coverage.png", "ridge.png",   "frame.png",
                                        "contact.png",  "place-1.png", "report.html"};
    struct said r = shell("rm -rf %s/whole/derived; staddle check %s/whole", test_folder(), test_folder());
    assert_int_equal(r.status, 0);
    said_clear(&r);
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        r = shell("test -s %s/whole/derived/%s", test_folder(), names[i]);
        if (r.status) print_error("missing: %s\n", names[i]);
        assert_int_equal(r.status, 0);
        said_clear(&r);
    }
}

/* With and without kept measures, with other names for decimal points, the JSON and the page are the same
 * bytes. */
static void the_verdict_is_the_same_every_time(void **state)
{
    (void)state;
    struct said first =
        shell("cd %s && rm -rf whole/derived && staddle check whole --json --page a.html", test_folder());
    struct said again =
        shell("cd %s && LC_ALL=de_DE.UTF-8 TZ=Pacific/Auckland staddle check whole --json --page b.html | "
              "sed s/b.html/a.html/ && cmp a.html b.html",
              test_folder());
    assert_int_equal(first.status, 0);
    assert_int_equal(again.status, 0);
    assert_string_equal(first.out, again.out);
    said_clear(&first);
    said_clear(&again);
}

static void frames_and_database_are_left_alone(void **state)
{
    (void)state;
    struct said before = shell("cd %s/whole && sha256sum stack.db frames/*", test_folder());
    struct said r = program("check %s/whole", test_folder());
    struct said after = shell("cd %s/whole && sha256sum stack.db frames/*", test_folder());
    assert_string_equal(before.out, after.out);
    said_clear(&before);
    said_clear(&r);
    said_clear(&after);
}

/* One clear message, exit 2, nothing written. */
static void wrong_input_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *args, *says;
    } rows[] = {
        {"whole --region 1,2,3", "--region 1,2,3: give X,Y,W,H"},
        {"whole --region 0,0,0,0", "give X,Y,W,H"},
        {"whole --region 0,0,-5,5", "give X,Y,W,H"},
        {"whole --region nan,0,5,5", "give X,Y,W,H"},
        {"whole --region 0,0,5,5x", "give X,Y,W,H"},
        {"whole --region 9000,0,50,50", "region"},
        {"nowhere", "nowhere"},
        {"whole-files", "stack"},
        {"whole --page precious.txt", "precious.txt: exists and is no report page"},
        {"whole --pages x", "no such option"},
        {"", "check needs STACK"},
    };
    struct said r = shell("cd %s && echo mine >precious.txt", test_folder());
    said_clear(&r);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        r = shell("cd %s && staddle check %s", test_folder(), rows[i].args);
        if (!strstr(r.err, rows[i].says)) print_error("check %s: %d %s\n", rows[i].args, r.status, r.err);
        assert_non_null(strstr(r.err, rows[i].says));
        assert_int_equal(r.status, 2);
        assert_string_equal(r.out, "");
        said_clear(&r);
    }
    r = shell("cat %s/precious.txt", test_folder());
    assert_string_equal(r.out, "mine\n");
    said_clear(&r);
}

static void an_older_page_is_replaced(void **state)
{
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct said r = shell("cd %s && staddle check whole --page twice.html", test_folder());
        assert_int_equal(r.status, 0);
        said_clear(&r);
    }
}

/* A folder that is hostile by name is only ever text in the page. */
static void a_hostile_name_stays_text(void **state)
{
    (void)state;
    char dir[700];
    snprintf(dir, sizeof dir, "%s/<script>alert('x')<", test_folder());
    assert_int_equal(mkdir(dir, 0777), 0);
    struct slope few = whole;
    few.frames = 6;
    slope_write(dir, &few);
    struct said r = shell("cd %s && staddle import \"<script>alert('x')<\" --stack hostile && staddle check "
                          "hostile --page h.html; "
                          "grep -c '<script' h.html; grep -c '&lt;script&gt;alert(&#39;x&#39;)&lt;' h.html",
                          test_folder());
    const char *tail = strstr(r.out, "page: h.html\n");
    assert_non_null(tail);
    assert_memory_equal(tail, "page: h.html\n1\n", 15); /* the page's own */
    assert_true(atoi(tail + 15) >= 2);
    said_clear(&r);
}

/* A small job on the simulated bench: what the job says (6 slices and 4 of margin over 0.5 mm, settle 700 ms,
 * 0.2 s) stands in the page, planned and shot. */
static void the_page_tells_planned_beside_shot(void **state)
{
    (void)state;
    static const char *const wanted[][3] = {
        {"slices", "10, of these 4 margin", "10, of these 4 margin"},
        {"from near to far", "-0.200 to 0.700 mm", "-0.200 to 0.700 mm"},
        {"spacing", "100.00 um", "100.00 um"},
        {"exposures", "", "10, of these 0 again, 0 lost"},
        {"settle", "700 ms", "700 ms"},
        {"exposure time", "200 ms", "200 ms"},
    };
    struct said r =
        shell("cd %s && printf 'camera: {width_px: 240, height_px: 160, sensor_width_mm: 24}\n"
              "axis: {lead_mm: 2, steps_per_rev: 200, microsteps: 16, clearance_mm: 8}\n"
              "lens: {focal_length_mm: 35, f_number: 2.8}\n' >bench.yaml && "
              "printf 'bench: bench.yaml\nmagnification: 4\nnear_mm: 0\nfar_mm: 0.5\nslices: 6\nsettle_ms: "
              "700\nexposure_s: 0.2\n"
              "seed: 3\n' >small-job.yaml && staddle simulate small-job.yaml --stack small --quiet && "
              "{ staddle check small --page small.html --quiet || test $? = 1; } && cat small.html",
              test_folder());
    assert_int_equal(r.status, 0);
    for (size_t i = 0; i < sizeof wanted / sizeof *wanted; i++) {
        char row[300];
        snprintf(row, sizeof row, "<tr><th scope=\"row\">%s</th><td>%s</td><td>%s</td></tr>", wanted[i][0],
                 wanted[i][1], wanted[i][2]);
        if (!strstr(r.out, row)) print_error("not in the page: %s\n", row);
        assert_non_null(strstr(r.out, row));
    }
    assert_non_null(strstr(r.out, "settle_ms: 700")); /* the job file itself */
    said_clear(&r);
}

/* What the run measured as it went is what check measures from the files. */
static void the_run_and_check_measure_alike(void **state)
{
    (void)state;
    struct said kept = shell("cd %s && staddle check small --json", test_folder());
    struct said anew = shell("cd %s && rm -rf small/derived && staddle check small --json", test_folder());
    assert_true(strlen(kept.out) > 1000);
    assert_string_equal(kept.out, anew.out);
    said_clear(&kept);
    said_clear(&anew);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_whole_stack_is_said_to_be_whole),
        cmocka_unit_test(a_stack_that_ends_too_early_is_grave),
        cmocka_unit_test(a_region_limits_the_question),
        cmocka_unit_test(text_says_no_number_that_the_json_lacks),
        cmocka_unit_test(the_manual_names_the_keys),
        cmocka_unit_test(the_sentence_comes_first),
        cmocka_unit_test(pictures_and_page_lie_in_derived),
        cmocka_unit_test(the_verdict_is_the_same_every_time),
        cmocka_unit_test(frames_and_database_are_left_alone),
        cmocka_unit_test(wrong_input_is_refused),
        cmocka_unit_test(an_older_page_is_replaced),
        cmocka_unit_test(a_hostile_name_stays_text),
        cmocka_unit_test(the_page_tells_planned_beside_shot),
        cmocka_unit_test(the_run_and_check_measure_alike),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
