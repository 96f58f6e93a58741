/* staddle where, from files to names: JPEGs of a textured slope (tests/support/slope.h), whose depth at x is
 * known: frame 2 + x / (width - 1) * (frames - 5). */
#include "tests/support/test.h"

#include <jansson.h>
#include <sys/stat.h>

#include "tests/support/numbers.h"
#include "tests/support/program.h"
#include "tests/support/slope.h"

#define FRAMES 24
static const struct slope slope = {.frames = FRAMES, .width_px = 480, .height_px = 320, .seed = 11};

static json_t *ask(const char *rest, int status)
{
    struct said r = program("where %s/s %s --json", test_folder(), rest);
    assert_string_equal(r.err, "");
    assert_int_equal(r.status, status);
    json_t *o = json_loads(r.out, 0, NULL);
    assert_non_null(o);
    said_clear(&r);
    return o;
}

static const char *file(const json_t *o, size_t i, const char *key)
{
    return json_string_value(json_object_get(json_array_get(json_object_get(o, "files"), i), key));
}

static int set_up(void **state)
{
    char dir[600];
    (void)state;
    snprintf(dir, sizeof dir, "%s/files", test_folder());
    assert_int_equal(mkdir(dir, 0777), 0);
    slope_write(dir, &slope);
    struct said r = program("import %s --order near-first --stack %s/s", dir, test_folder());
    assert_int_equal(r.status, 0);
    said_clear(&r);
    return 0;
}

static void the_sharpest_file_is_the_one_of_that_depth(void **state)
{
    (void)state;
    for (int x = 30; x < 460; x += 85) {
        char place[32];
        snprintf(place, sizeof place, "%d,160", x);
        json_t *o = ask(place, 0);
        const double depth = 2 + x / 479.0 * (FRAMES - 5);
        const json_t *best = json_array_get(json_object_get(o, "files"), 0);
        assert_int_equal(json_array_size(json_object_get(o, "files")), 3);
        assert_near(json_number_value(json_object_get(best, "frame")), depth, 1.0);
        assert_near(json_number_value(json_object_get(best, "x_px")), x, 1);
        char name[32];
        snprintf(name, sizeof name, "f%04d.jpg", (int)json_integer_value(json_object_get(best, "slice")));
        assert_non_null(strstr(file(o, 0, "file"), ".jpg"));
        assert_non_null(strstr(file(o, 0, "handover"), ".jpg"));
        json_decref(o);
    }
}

/* What handover writes is what was named. */
static void the_names_are_those_of_the_hand_over(void **state)
{
    (void)state;
    json_t *o = ask("240,160", 0);
    struct said made = program("handover %s/s --to %s/out", test_folder(), test_folder());
    assert_true(made.status == 0);
    for (size_t i = 0; i < 3; i++) {
        struct said same = shell("cmp %s/s/frames/%s %s/out/%s", test_folder(), file(o, i, "file"),
                                 test_folder(), file(o, i, "handover"));
        assert_int_equal(same.status, 0);
        said_clear(&same);
    }
    char in[400];
    snprintf(in, sizeof in, "240,160 --in %s", file(o, 0, "handover"));
    json_t *again = ask(in, 0);
    assert_string_equal(json_string_value(json_object_get(again, "in")), file(o, 0, "file"));
    json_decref(again);
    json_decref(o);
    said_clear(&made);
}

static void measures_are_enough_when_the_frames_are_away(void **state)
{
    (void)state;
    json_t *before = ask("100,100", 0);
    struct said r =
        shell("mv %s/s/frames %s/s/away && mkdir %s/s/frames", test_folder(), test_folder(), test_folder());
    assert_int_equal(r.status, 0);
    said_clear(&r);
    json_t *after = ask("100,100", 0);
    assert_true(json_equal(before, after));
    r = shell("rm %s/s/derived/*.cells; staddle where %s/s 100,100; s=$?; rmdir %s/s/frames; mv %s/s/away "
              "%s/s/frames; exit $s",
              test_folder(), test_folder(), test_folder(), test_folder(), test_folder());
    assert_int_equal(r.status, 5); /* neither measures nor frames */
    said_clear(&r);
    json_decref(before);
    json_decref(after);
}

static void wrong_places_and_names_are_refused_with_a_sentence(void **state)
{
    (void)state;
    static const struct {
        const char *rest, *says;
    } rows[] = {
        {"480,10", "480,10 lies outside the picture, which has 480 x 320 pixels"},
        {"10,320", "lies outside the picture"},
        {"10", "give the place as X,Y"},
        {"10,x", "give the place as X,Y"},
        {"10,20,30", "give the place as X,Y"},
        {"10,20 --in other.jpg", "no frame of this stack"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct said r = program("where %s/s %s", test_folder(), rows[i].rest);
        assert_int_equal(r.status, 2);
        assert_string_equal(r.out, "");
        assert_non_null(strstr(r.err, rows[i].says));
        said_clear(&r);
    }
}

static void text_says_no_number_that_the_json_lacks(void **state)
{
    (void)state;
    char missing[64] = "";
    json_t *o = ask("300,100", 0);
    struct said r = program("where %s/s 300,100", test_folder());
    if (!numbers_all_known(r.out, o, missing)) print_error("not in the JSON: %s\n", missing);
    assert_string_equal(missing, "");
    assert_non_null(strstr(r.out, "handed over as "));
    said_clear(&r);
    json_decref(o);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_sharpest_file_is_the_one_of_that_depth),
        cmocka_unit_test(the_names_are_those_of_the_hand_over),
        cmocka_unit_test(measures_are_enough_when_the_frames_are_away),
        cmocka_unit_test(wrong_places_and_names_are_refused_with_a_sentence),
        cmocka_unit_test(text_says_no_number_that_the_json_lacks),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
