/* staddle lens magnification, from a picture of a drawn ruler to the line for the job file. */
#include "tests/support/test.h"

#include <jansson.h>
#include <png.h>

#include "tests/support/numbers.h"
#include "tests/support/program.h"
#include "tests/support/ruler_picture.h"

/* 37.3 px a millimetre on a sensor of 24 mm and 1200 px: 0.02 mm a pixel, so 0.746 times life size. */
static const struct ruler_drawn ruler = {.w = 1200, .h = 800, .period_px = 37.3, .angle_deg = 11, .noise = 3};

static void write_png(const char *name, const uint8_t *luma, int32_t w, int32_t h)
{
    char path[600];
    png_image image = {.version = PNG_IMAGE_VERSION,
                       .width = (png_uint_32)w,
                       .height = (png_uint_32)h,
                       .format = PNG_FORMAT_GRAY};
    snprintf(path, sizeof path, "%s/%s", test_folder(), name);
    assert_true(png_image_write_to_file(&image, path, 0, luma, 0, NULL));
}

static int set_up(void **state)
{
    (void)state;
    uint8_t *luma = ruler_draw(&ruler);
    write_png("ruler.png", luma, ruler.w, ruler.h);
    for (int i = 0; i < ruler.w * ruler.h; i++)
        luma[i] = (uint8_t)(100 + i % ruler.w / 40);
    write_png("slope.png", luma, ruler.w, ruler.h);
    free(luma);
    return 0;
}

static void the_magnification_and_its_line_are_told(void **state)
{
    (void)state;
    char missing[64] = "";
    struct said r =
        program("lens magnification %s/ruler.png --pitch-mm 1 --sensor-width-mm 24 --json", test_folder());
    assert_string_equal(r.err, "");
    assert_int_equal(r.status, 0);
    json_t *o = json_loads(r.out, 0, NULL);
    const double m = json_number_value(json_object_get(o, "magnification")),
                 sigma = json_number_value(json_object_get(o, "magnification_uncertainty"));
    assert_near(m, 37.3 * 0.02, 0.001);
    assert_near(m, 37.3 * 0.02, 4 * sigma);
    assert_near(json_number_value(json_object_get(o, "field_width_mm")), 1200 / 37.3, 0.04);
    assert_near(json_number_value(json_object_get(o, "angle_deg")), 11, 1);
    assert_string_equal(json_string_value(json_object_get(o, "job_line")), "magnification: 0.7460");
    struct said text =
        program("lens magnification %s/ruler.png --pitch-mm 1 --sensor-width-mm 24", test_folder());
    if (!numbers_all_known(text.out, o, missing)) print_error("not in the JSON: %s\n", missing);
    assert_string_equal(missing, "");
    assert_non_null(strstr(text.out, "\nmagnification: 0.7460\n"));
    said_clear(&text);
    said_clear(&r);
    json_decref(o);
}

/* The demo's bench has a sensor 24 mm wide. */
static void the_bench_file_tells_the_sensor_too(void **state)
{
    (void)state;
    struct said r = program("lens magnification %s/ruler.png --pitch-mm 0.5 --bench configs/demo-bench.yaml",
                            test_folder());
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.out, "\nmagnification: 1.4920\n"));
    said_clear(&r);
}

static void what_cannot_be_measured_is_said(void **state)
{
    (void)state;
    static const struct {
        const char *rest, *says;
    } rows[] = {
        {"slope.png --pitch-mm 1 --sensor-width-mm 24", "let the ruler fill the picture"},
        {"ruler.png --pitch-mm 1", "the width of the camera's sensor is needed"},
        {"ruler.png --sensor-width-mm 24", "--pitch-mm is needed"},
        {"ruler.png --pitch-mm 0 --sensor-width-mm 24", "--pitch-mm 0: give a number"},
        {"none.png --pitch-mm 1 --sensor-width-mm 24", "none.png"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct said r = program("lens magnification %s/%s", test_folder(), rows[i].rest);
        if (!strstr(r.err, rows[i].says)) print_error("%s: %s\n", rows[i].rest, r.err);
        assert_true(r.status == 2 || i == 4);
        assert_string_equal(r.out, "");
        assert_non_null(strstr(r.err, rows[i].says));
        said_clear(&r);
    }
    struct said r = program("lens focus x.png");
    assert_int_equal(r.status, 2);
    said_clear(&r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_magnification_and_its_line_are_told),
        cmocka_unit_test(the_bench_file_tells_the_sensor_too),
        cmocka_unit_test(what_cannot_be_measured_is_said),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
