/* staddle measure, as a person calls it, on files whose truth the test made. */
#include "tests/support/test.h"

#include <jansson.h>

#include "base/mem.h"
#include "image/measure.h"
#include "image/measure_io.h"
#include "tests/support/photo.h"
#include "tests/support/picture.h"
#include "tests/support/program.h"
#include "tests/support/shell.h"

static struct bytes jpeg_of(const struct photo *p, const struct exif_says *says)
{
    uint8_t *gray = photo_bytes(p), *rgb = malloc((size_t)p->width * (size_t)p->height * 3);
    for (int32_t i = 0; i < p->width * p->height; i++)
        memset(rgb + 3 * i, gray[i], 3);
    struct jpeg_how how = {95, 0, 0, false, false, says ? exif_make(says) : (struct bytes){NULL, 0}};
    struct bytes out = jpeg_make(rgb, p->width, p->height, &how);
    free(how.exif.p);
    free(gray);
    free(rgb);
    return out;
}

static void write_file(const char *name, struct bytes b)
{
    FILE *out = fopen(in_folder("%s", name), "wb");
    assert_non_null(out);
    assert_int_equal(fwrite(b.p, 1, b.n, out), b.n);
    fclose(out);
}

/* Three pictures of one thing: b is a moved by (2.3, -1.7) px and 0.2 % larger, c is b 16 % darker. */
static struct bytes file[3];
static double mean_of_a;

static int set_up(void **state)
{
    (void)state;
    struct photo source = photo_load("aloeL.jpg");
    const double step = 1.7, now = step / 1.002;
    const double cx = source.width / 2.0, cy = source.height / 2.0;
    struct photo a = photo_area(&source, 641, 555, cx - step * 320.5, cy - step * 277.5, step);
    struct photo b = photo_area(&source, 641, 555, cx - now * (320.5 + 2.3), cy - now * (277.5 - 1.7), now);
    struct photo c = photo_area(&source, 641, 555, cx - now * (320.5 + 2.3), cy - now * (277.5 - 1.7), now);
    for (int32_t i = 0; i < 641 * 555; i++) {
        mean_of_a += (double)a.gray[i] / 641 / 555;
        c.gray[i] *= 0.84f;
    }
    const struct exif_says says = {6, "2001:01:01 21:00:00", "5", "+01:00", {1, 4}, {28, 10}, 100, false};
    file[0] = jpeg_of(&a, &says);
    file[1] = jpeg_of(&b, NULL);
    file[2] = jpeg_of(&c, NULL);
    write_file("a.jpg", file[0]);
    write_file("b.jpg", file[1]);
    write_file("c.jpg", file[2]);
    photo_free(&a);
    photo_free(&b);
    photo_free(&c);
    photo_free(&source);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    for (int i = 0; i < 3; i++)
        free(file[i].p);
    return 0;
}

static json_t *parse(const struct said *s)
{
    json_error_t trouble;
    json_t *out = json_loads(s->out, 0, &trouble);
    if (s->status || !out) print_error("%d: %s%s\n", s->status, s->err, trouble.text);
    assert_int_equal(s->status, 0);
    assert_non_null(out);
    return out;
}

static double number(const json_t *object, const char *key)
{
    const json_t *v = json_object_get(object, key);
    assert_true(json_is_number(v));
    return json_number_value(v);
}

static void it_says_what_was_done_to_the_files(void **state)
{
    (void)state;
    const char *dir = test_folder();
    struct said s = program("measure --json %s/a.jpg %s/b.jpg %s/c.jpg", dir, dir, dir);
    json_t *result = parse(&s), *frames = json_object_get(result, "frames");
    assert_int_equal(json_array_size(frames), 3);
    const json_t *a = json_array_get(frames, 0), *b = json_array_get(frames, 1),
                 *c = json_array_get(frames, 2);
    assert_true(json_is_null(json_object_get(a, "shift")));
    assert_near(number(a, "mean"), mean_of_a, 0.1);
    assert_string_equal(json_string_value(json_object_get(a, "captured")), "2001-01-01T20:00:00.500Z");
    assert_near(number(a, "exposure_s"), 0.25, 0);
    assert_near(number(a, "orientation"), 6, 0);
    assert_near(number(a, "width_px"), 641, 0);
    const json_t *shift = json_object_get(b, "shift");
    assert_near(number(shift, "dx_px"), 2.3, 0.02);
    assert_near(number(shift, "dy_px"), -1.7, 0.02);
    assert_near(number(shift, "scale"), 1.002, 5e-5);
    assert_string_equal(json_string_value(json_object_get(shift, "trust")), "good");
    shift = json_object_get(c, "shift");
    assert_near(number(shift, "dx_px"), 0, 0.02);
    assert_near(number(shift, "scale"), 1, 5e-5);
    assert_near(number(c, "mean") / number(b, "mean"), 0.84, 0.002);
    json_decref(result);
    said_clear(&s);
}

/* Every number of the text stands in the JSON, rounded: here those that matter. */
static void the_text_is_made_of_the_json(void **state)
{
    (void)state;
    const char *dir = test_folder();
    struct said s = program("measure %s/a.jpg %s/b.jpg", dir, dir),
                j = program("measure --json %s/a.jpg %s/b.jpg", dir, dir);
    json_t *result = parse(&j);
    const json_t *b = json_array_get(json_object_get(result, "frames"), 1),
                 *shift = json_object_get(b, "shift");
    char wanted[200];
    snprintf(wanted, sizeof wanted, "%+8.2f %+8.2f px %+7.3f %%  %s", number(shift, "dx_px"),
             number(shift, "dy_px"), 100 * (number(shift, "scale") - 1),
             json_string_value(json_object_get(shift, "trust")));
    if (!strstr(s.out, wanted)) print_error("%s\n", s.out);
    assert_non_null(strstr(s.out, wanted));
    snprintf(wanted, sizeof wanted, "  %5.1f  ", number(b, "mean"));
    assert_non_null(strstr(s.out, wanted));
    json_decref(result);
    said_clear(&s);
    said_clear(&j);
}

static void cells_come_on_request(void **state)
{
    (void)state;
    const char *dir = test_folder();
    struct said s = program("measure --json --cells %s/a.jpg", dir);
    json_t *result = parse(&s);
    const json_t *cells = json_object_get(json_array_get(json_object_get(result, "frames"), 0), "cells");
    assert_near(number(cells, "cell_px"), 7, 0); /* 641 / 96, rounded up */
    assert_near(number(cells, "cols"), 92, 0);   /* 91.57: the last is wider than half */
    assert_near(number(cells, "rows"), 79, 0);
    const json_t *mean = json_object_get(cells, "mean");
    assert_int_equal(json_array_size(mean), 79);
    double sum = 0;
    for (size_t r = 0; r < 79; r++)
        for (size_t c = 0; c < 92; c++)
            sum += json_number_value(json_array_get(json_array_get(mean, r), c));
    assert_near(sum / 79 / 92, mean_of_a, 0.5);
    assert_int_equal(json_array_size(json_object_get(cells, "variance")), 4);
    assert_int_equal(json_array_size(json_object_get(cells, "direction")), 8);
    json_decref(result);
    said_clear(&s);
}

static void check_bad(const char *name, const char *sentence)
{
    const char *dir = test_folder();
    struct said s = program("measure %s/a.jpg %s/%s", dir, dir, name);
    assert_int_equal(s.status, 2);
    assert_string_equal(s.out, "");
    const char *at = strstr(s.err, name);
    assert_non_null(at);
    if (!strstr(at, sentence)) print_error("%s\n", s.err);
    assert_non_null(strstr(at, sentence));
    assert_ptr_equal(strchr(s.err, '\n'), s.err + strlen(s.err) - 1);
    said_clear(&s);
}

static void a_bad_file_is_one_sentence_and_exit_2(void **state)
{
    (void)state;
    write_file("cut.jpg", (struct bytes){file[0].p, file[0].n / 2});
    write_file("empty.jpg", (struct bytes){file[0].p, 0});
    write_file("text.jpg", (struct bytes){(uint8_t *)"far_mm: 3\n", 10});
    check_bad("cut.jpg", "the file is damaged or cut short, fetch it again");
    check_bad("empty.jpg", "the file is empty; fetch it again");
    check_bad("text.jpg", "not a picture that is known here; give JPEG, PNG, TIFF or raw files");
    check_bad("absent.jpg", "No such file");
}

static void files_of_two_sizes_are_not_compared(void **state)
{
    (void)state;
    uint8_t *rgb = calloc(64 * 48, 3);
    struct png_how how = {16, false, false, false, {NULL, 0}};
    struct bytes png = png_make(rgb, 64, 48, &how);
    write_file("small.png", png);
    const char *dir = test_folder();
    struct said s = program("measure --json %s/a.jpg %s/small.png", dir, dir);
    json_t *result = parse(&s);
    assert_true(json_is_null(json_object_get(json_array_get(json_object_get(result, "frames"), 1), "shift")));
    json_decref(result);
    said_clear(&s);
    free(png.p);
    free(rgb);
}

/* In one call or in two, in whatever order: the same measures to the last bit. */
static void the_order_of_the_work_changes_nothing(void **state)
{
    (void)state;
    struct err why;
    struct measure_space *one = measure_space_new(&why), *other = measure_space_new(&why);
    struct frame_measure straight, late, first;
    struct register_view *a, *a_again, *b;
    assert_int_equal(measure_frame(one, "a", file[0].p, file[0].n, NULL, &first, &a, NULL, &why), E_OK);
    frame_measure_clear(&first);
    assert_int_equal(measure_frame(one, "b", file[1].p, file[1].n, a, &straight, NULL, NULL, &why), E_OK);
    assert_int_equal(measure_frame(other, "b", file[1].p, file[1].n, NULL, &late, &b, NULL, &why), E_OK);
    assert_int_equal(measure_frame(other, "a", file[0].p, file[0].n, NULL, &first, &a_again, NULL, &why),
                     E_OK);
    assert_int_equal(register_shift(measure_space_register(other), a_again, b, &late.shift, &why), E_OK);
    uint8_t *bytes[2];
    size_t count[2];
    assert_int_equal(measure_to_bytes(&straight, &bytes[0], &count[0], &why), E_OK);
    assert_int_equal(measure_to_bytes(&late, &bytes[1], &count[1], &why), E_OK);
    assert_int_equal(count[0], count[1]);
    assert_memory_equal(bytes[0], bytes[1], count[0]);
    mem_free(bytes[0]);
    mem_free(bytes[1]);
    register_view_free(a);
    register_view_free(a_again);
    register_view_free(b);
    frame_measure_clear(&first);
    frame_measure_clear(&straight);
    frame_measure_clear(&late);
    measure_space_free(one);
    measure_space_free(other);
}

static void without_memory_a_frame_is_told_and_nothing_leaks(void **state)
{
    (void)state;
    struct err why;
    struct measure_space *keep = measure_space_new(&why);
    struct frame_measure m;
    struct register_view *a;
    assert_int_equal(measure_frame(keep, "a", file[0].p, file[0].n, NULL, &m, &a, NULL, &why), E_OK);
    frame_measure_clear(&m);
    int rc = E_NOMEM, tries = 0;
    for (long k = 1; rc; k++, tries++) {
        struct register_view *view = NULL;
        mem_fail_at(k);
        struct measure_space *space = measure_space_new(&why);
        rc = space ? measure_frame(space, "b", file[1].p, file[1].n, a, &m, &view, NULL, &why) : E_NOMEM;
        mem_fail_at(0);
        assert_true(rc == E_OK || rc == E_NOMEM);
        if (!rc) frame_measure_clear(&m);
        register_view_free(view);
        measure_space_free(space);
        assert_true(k < 100);
    }
    assert_true(tries > 20);
    register_view_free(a);
    measure_space_free(keep);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(it_says_what_was_done_to_the_files),
        cmocka_unit_test(the_text_is_made_of_the_json),
        cmocka_unit_test(cells_come_on_request),
        cmocka_unit_test(a_bad_file_is_one_sentence_and_exit_2),
        cmocka_unit_test(files_of_two_sizes_are_not_compared),
        cmocka_unit_test(the_order_of_the_work_changes_nothing),
        cmocka_unit_test(without_memory_a_frame_is_told_and_nothing_leaks),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
