/* The distance of a ruler's marks in drawn pictures (tests/support/ruler_picture.h): truth is the geometry
 * that they were drawn from. What is no ruler is refused: photographs of opencv-doc, noise, edges, too few
 * marks. */
#include "tests/support/test.h"

#include "image/ruler.h"
#include "tests/support/photo.h"
#include "tests/support/ruler_picture.h"

static int measured(const struct ruler_drawn *d, struct ruler *r, struct err *why)
{
    uint8_t *luma = ruler_draw(d);
    const int rc = ruler_measure(luma, d->w, d->h, r, why);
    free(luma);
    return rc;
}

/* Right within 4 times the uncertainty that is told, which is small itself. */
static void is_right(const struct ruler_drawn *d, double share)
{
    struct ruler r;
    struct err why = {0};
    if (measured(d, &r, &why)) fail_msg("%.1f px, %.0f degrees: %s", d->period_px, d->angle_deg, why.text);
    const double off = r.period_px / d->period_px - 1;
    printf("measured: a ruler of %.1f px at %.0f degrees: off %+.4f %%, said %.4f %%\n", d->period_px,
           d->angle_deg, 100 * off, 100 * r.uncertainty_px / r.period_px);
    assert_near(off, 0, share);
    assert_near(r.period_px, d->period_px, 4 * r.uncertainty_px);
    assert_near(r.angle_deg, d->angle_deg, 1.5);
    assert_true(r.uncertainty_px < 2 * share * r.period_px);
}

static void marks_are_measured_any_way_round(void **state)
{
    (void)state;
    static const struct ruler_drawn rows[] = {
        {.w = 900, .h = 600, .period_px = 8, .angle_deg = 0, .noise = 3},
        {.w = 900, .h = 600, .period_px = 13.7, .angle_deg = 22, .noise = 3},
        {.w = 900, .h = 600, .period_px = 31.43, .angle_deg = 45, .noise = 3},
        {.w = 900, .h = 600, .period_px = 21.3, .angle_deg = -80, .noise = 3},
        {.w = 900, .h = 600, .period_px = 61.7, .angle_deg = 5, .noise = 3, .blur_px = 4},
        {.w = 600, .h = 900, .period_px = 17.17, .angle_deg = 90, .noise = 8, .blur_px = 2},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        is_right(&rows[i], 0.002);
}

/* 200 px apart there are just nine in a picture of 1800 px. */
static void a_few_wide_marks_are_enough(void **state)
{
    (void)state;
    is_right(
        &(struct ruler_drawn){.w = 1800, .h = 600, .period_px = 200, .mark = 0.1, .length = {3, 3.3, 3.6}},
        0.01);
}

/* The tones of long fifths and tenths, of narrow and of wide marks: never a multiple, never a part. */
static void long_and_thin_marks_do_not_mislead(void **state)
{
    (void)state;
    for (int i = 0; i < 6; i++)
        is_right(&(struct ruler_drawn){.w = 900,
                                       .h = 500,
                                       .period_px = i < 3 ? 19.9 : 48.65,
                                       .angle_deg = 7 * i,
                                       .mark = i % 2 ? 0.08 : 0.5,
                                       .length = {2, 3 + i % 3, 4 + 2 * (i % 2)},
                                       .offset = -50,
                                       .noise = 3},
                 0.005);
}

/* A plane seen aslant: the period grows along the ruler, and is told for the middle. */
static void a_tilted_ruler_is_told_and_right_in_its_middle(void **state)
{
    (void)state;
    const struct ruler_drawn d = {
        .w = 1200, .h = 500, .period_px = 17.3, .angle_deg = 3, .tilt = 0.04, .noise = 3};
    struct ruler r;
    struct err why;
    is_right(&d, 0.002);
    assert_int_equal(measured(&d, &r, &why), 0);
    assert_near(r.change, -0.04 * 0.9,
                0.006); /* nine tenths of the width lie between the outermost windows */
}

static void photographs_are_no_rulers(void **state)
{
    (void)state;
    static const char *const names[] = {
        "aloeL.jpg",        "aloeR.jpg",   "apple.jpg",   "baboon.jpg", "butterfly.jpg", "fruits.jpg",
        "home.jpg",         "leuvenA.jpg", "leuvenB.jpg", "messi5.jpg", "orange.jpg",    "squirrel_cls.jpg",
        "starry_night.jpg", "stuff.jpg",   "aero1.jpg",   "aero3.jpg",  "HappyFish.jpg"};
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        struct photo p = photo_load(names[i]);
        uint8_t *luma = photo_bytes(&p);
        struct ruler r = {0};
        struct err why = {0};
        const int rc = ruler_measure(luma, p.width, p.height, &r, &why);
        if (!rc) print_error("%s: %.2f px, %.0f marks\n", names[i], r.period_px, r.periods);
        assert_int_equal(rc, E_INPUT);
        assert_true(strlen(why.text) > 20);
        free(luma);
        photo_free(&p);
    }
}

static void too_few_marks_and_none_are_refused(void **state)
{
    (void)state;
    struct ruler r;
    struct err why = {0};
    assert_int_equal(measured(&(struct ruler_drawn){.w = 600, .h = 400, .period_px = 150}, &r, &why),
                     E_INPUT);
    static uint8_t flat[200 * 200], noise[200 * 200], edge[200 * 200];
    uint32_t seed = 1;
    for (int i = 0; i < 200 * 200; i++) {
        flat[i] = 128;
        noise[i] = (uint8_t)((seed = seed * 1664525u + 1013904223u) >> 24);
        edge[i] = i % 200 > 90 ? 200 : 40;
    }
    assert_int_equal(ruler_measure(flat, 200, 200, &r, &why), E_INPUT);
    assert_int_equal(ruler_measure(noise, 200, 200, &r, &why), E_INPUT);
    assert_int_equal(ruler_measure(edge, 200, 200, &r, &why), E_INPUT);
    assert_int_equal(ruler_measure(flat, 20, 200, &r, &why), E_INPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(marks_are_measured_any_way_round),
        cmocka_unit_test(a_few_wide_marks_are_enough),
        cmocka_unit_test(long_and_thin_marks_do_not_mislead),
        cmocka_unit_test(a_tilted_ruler_is_told_and_right_in_its_middle),
        cmocka_unit_test(photographs_are_no_rulers),
        cmocka_unit_test(too_few_marks_and_none_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
