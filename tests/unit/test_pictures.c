/* The pictures that check shows, judged by what can be measured in them. They are read back with libpng, not
 * with the library that drew them. The stack is made up, so that what each part must look like is known. */
#include "tests/support/test.h"

#include <png.h>

#include "base/mem.h"
#include "report/pictures.h"
#include "tests/support/made_up.h"

struct pixels {
    int32_t w, h;
    uint8_t *rgb;
};

static struct pixels read_back(struct drawing *p)
{
    png_image image = {.version = PNG_IMAGE_VERSION};
    assert_true(png_image_begin_read_from_memory(&image, p->bytes, p->count));
    image.format = PNG_FORMAT_RGB;
    struct pixels out = {(int32_t)image.width, (int32_t)image.height, malloc(PNG_IMAGE_SIZE(image))};
    assert_true(png_image_finish_read(&image, NULL, out.rgb, 0, NULL));
    assert_int_equal(out.w, p->w);
    assert_int_equal(out.h, p->h);
    drawing_clear(p);
    return out;
}

struct look {
    double mean[3], sd, alarm; /* alarm: share of pixels in the colour that means trouble */
};

static struct look look_at(const struct pixels *p, int32_t x0, int32_t y0, int32_t w, int32_t h)
{
    struct look l = {0};
    double square = 0, luma_sum = 0;
    for (int32_t y = y0; y < y0 + h; y++)
        for (int32_t x = x0; x < x0 + w; x++) {
            const uint8_t *c = p->rgb + 3 * (y * p->w + x);
            const double luma = 0.299 * c[0] + 0.587 * c[1] + 0.114 * c[2];
            for (int k = 0; k < 3; k++)
                l.mean[k] += c[k];
            luma_sum += luma;
            square += luma * luma;
            l.alarm += c[0] > c[1] + 90 && c[0] > c[2] + 40;
        }
    const double n = (double)w * h;
    for (int k = 0; k < 3; k++)
        l.mean[k] /= n;
    l.alarm /= n;
    l.sd = sqrt(fmax(0, square / n - luma_sum * luma_sum / n / n));
    return l;
}

static struct pixels coverage_of(bool faults, bool legend)
{
    struct err why = {0};
    struct drawing p[2];
    struct made_up *m = made_up_stack(40, 1800, 1200, faults);
    const struct pictures_of of = made_up_pictures(m);
    assert_int_equal(pictures_coverage(&of, &p[0], &p[1], &why), 0);
    made_up_free(m);
    drawing_clear(&p[!legend]);
    return read_back(&p[legend]);
}

static void coverage_has_the_shape_of_the_frame(void **state)
{
    (void)state;
    struct pixels bare = coverage_of(true, false), whole = coverage_of(true, true);
    assert_int_equal(bare.w, COVERAGE_WIDTH);
    assert_int_equal(bare.h, COVERAGE_WIDTH * 1200 / 1800);
    assert_true(whole.h > bare.h + 60);
    const struct look legend = look_at(&whole, 0, bare.h, whole.w, whole.h - bare.h);
    assert_true(legend.sd > 10);
    free(bare.rgb);
    free(whole.rgb);
}

/* The made-up slope deepens to the right: brass there, blue here, dark after light. */
static void coverage_tells_near_from_far(void **state)
{
    (void)state;
    struct pixels p = coverage_of(false, false);
    const struct look near = look_at(&p, 20, 100, 100, 300), far = look_at(&p, 1060, 400, 100, 200);
    assert_true(near.mean[0] > near.mean[2] + 30);
    assert_true(far.mean[2] > far.mean[0] + 60);
    assert_true(near.mean[1] > far.mean[1] + 60);
    free(p.rgb);
}

static void coverage_shows_the_subject_through_the_tint(void **state)
{
    (void)state;
    struct pixels p = coverage_of(false, false);
    const struct look sharp = look_at(&p, 800, 450, 100, 150);
    assert_true(sharp.sd > 6);
    free(p.rgb);
}

/* Sharp nowhere is hatched in the alarm colour; no texture is gray; a good stack has no alarm anywhere. */
static void coverage_hatches_only_what_is_sharp_nowhere(void **state)
{
    (void)state;
    struct pixels bad = coverage_of(true, false), good = coverage_of(false, false);
    assert_true(look_at(&bad, 950, 80, 200, 60).alarm > 0.15);   /* beyond the last frame */
    assert_true(look_at(&bad, 10, 100, 90, 100).alarm > 0.15);   /* nearer than the first */
    assert_true(look_at(&bad, 670, 580, 70, 80).alarm > 0.30);   /* the gap, crossed */
    assert_true(look_at(&bad, 300, 600, 200, 40).alarm < 0.001); /* sharp */
    assert_true(look_at(&good, 0, 0, good.w, good.h).alarm < 0.0005);
    const struct look flat = look_at(&good, 100, 720, 900, 70);
    assert_near(flat.mean[0], flat.mean[1], 2);
    assert_near(flat.mean[1], flat.mean[2], 2);
    free(bad.rgb);
    free(good.rgb);
}

static void contact_sheet_shows_every_frame(void **state)
{
    (void)state;
    struct err why = {0};
    struct drawing png;
    struct made_up *m = made_up_stack(40, 1800, 1200, false);
    const struct pictures_of of = made_up_pictures(m);
    assert_int_equal(pictures_contact(&of, &png, &why), 0);
    made_up_free(m);
    struct pixels p = read_back(&png);
    assert_int_equal(p.w, COVERAGE_WIDTH);
    /* 40 frames are laid six to a row: seven rows, the last with four. */
    int32_t shown = 0;
    for (int32_t row = 0; row < 7; row++)
        for (int32_t col = 0; col < 6; col++)
            shown += look_at(&p, 16 + col * 197 + 20, row * (p.h - 2) / 7 + 30, 140, 60).sd > 3;
    assert_int_equal(shown, 40);
    free(p.rgb);
}

static void contact_sheet_of_a_huge_stack_stays_a_sheet(void **state)
{
    (void)state;
    struct err why = {0};
    struct drawing png;
    struct made_up *m = made_up_stack(900, 160, 120, false);
    const struct pictures_of of = made_up_pictures(m);
    assert_int_equal(pictures_contact(&of, &png, &why), 0);
    assert_true(png.h < 10000);
    drawing_clear(&png);
    made_up_free(m);
}

static void frames_are_described_in_words(void **state)
{
    (void)state;
    char words[128];
    struct made_up *m = made_up_stack(40, 320, 200, true);
    const struct pictures_of of = made_up_pictures(m);
    static const struct {
        int32_t frame;
        const char *words;
    } wanted[] = {{0, "margin"},       {2, "first useful"}, {8, "blurred"}, {12, "swapped with next"},
                  {20, "light jumps"}, {37, "last useful"}, {39, "margin"}, {15, ""}};
    for (size_t i = 0; i < sizeof wanted / sizeof *wanted; i++) {
        pictures_frame_words(&of, wanted[i].frame, words, sizeof words);
        assert_string_equal(words, wanted[i].words);
    }
    made_up_free(m);
}

/* Every pixel of a made-up frame tells where it lies, so the cut can be checked exactly away from the corner
 * marks. */
static void weak_place_is_shown_at_full_size(void **state)
{
    (void)state;
    struct err why = {0};
    struct drawing png;
    struct made_up *m = made_up_stack(10, 1800, 1200, true);
    const struct pictures_of of = made_up_pictures(m);
    uint8_t *rgb = malloc((size_t)1800 * 1200 * 3);
    for (int32_t y = 0; y < 1200; y++)
        for (int32_t x = 0; x < 1800; x++) {
            uint8_t *c = rgb + 3 * (y * 1800 + x);
            c[0] = (uint8_t)x, c[1] = (uint8_t)y, c[2] = (uint8_t)(x / 256 * 16 + y / 256);
        }
    m->verdict.weakest[0] = (struct weak_place){.at_x_px = 910, .at_y_px = 610};
    m->verdict.weakest[1] = (struct weak_place){.at_x_px = 1795, .at_y_px = 7};
    m->verdict.tile_px = 20;
    const int32_t left[2] = {910 - PLACE_WIDTH / 2, 1800 - PLACE_WIDTH}, top[2] = {610 - PLACE_HEIGHT / 2, 0};
    for (int i = 0; i < 2; i++) {
        assert_int_equal(pictures_place(&of, i, rgb, 1800, 1200, &png, &why), 0);
        struct pixels p = read_back(&png);
        assert_int_equal(p.w, PLACE_WIDTH);
        assert_int_equal(p.h, PLACE_HEIGHT);
        assert_memory_equal(p.rgb + 3 * (PLACE_WIDTH * 100 + 30),
                            rgb + 3 * (1800 * (top[i] + 100) + left[i] + 30), 3 * 100);
        const int32_t in_x = i ? 475 : 240, in_y = i ? 7 : 180; /* the weak tile's middle, unmarked */
        assert_memory_equal(p.rgb + 3 * (PLACE_WIDTH * in_y + in_x),
                            rgb + 3 * (1800 * (top[i] + in_y) + left[i] + in_x), 3);
        free(p.rgb);
    }
    assert_int_equal(pictures_place(&of, 3, rgb, 1800, 1200, &png, &why), E_INPUT);
    free(rgb);
    made_up_free(m);
}

/* Truth: the made-up ridge runs from the upper left corner to the lower right one, one step a frame. */
static void ridge_runs_down_through_the_picture(void **state)
{
    (void)state;
    struct err why = {0};
    struct drawing png;
    struct made_up *m = made_up_stack(40, 320, 200, false);
    const struct pictures_of of = made_up_pictures(m);
    assert_int_equal(pictures_ridge(&of, &png, &why), 0);
    struct pixels p = read_back(&png);
    assert_int_equal(p.w, COVERAGE_WIDTH);
    const double left = 112, top = 76, column = 860.0 / 40, row = 520.0 / 40;
    for (int32_t depth = 0; depth < 40; depth++) {
        int32_t darkest = -1;
        double least = 1e9;
        for (int32_t i = 0; i < 40; i++) {
            const struct look l =
                look_at(&p, (int32_t)(left + (i + 0.3) * column), (int32_t)(top + (depth + 0.3) * row), 8, 5);
            const double sum = l.mean[0] + l.mean[1] + l.mean[2];
            if (sum < least) least = sum, darkest = i;
        }
        assert_int_equal(darkest, depth);
    }
    free(p.rgb);
    made_up_free(m);
}

/* Frames that fail, and are missing, are told beside the ridge in words. */
static void ridge_tells_a_gap_and_what_lies_beyond(void **state)
{
    (void)state;
    struct err why = {0};
    struct drawing png;
    struct made_up *m = made_up_stack(40, 320, 200, false);
    struct verdict *v = &m->verdict;
    const struct pictures_of of = made_up_pictures(m);
    assert_int_equal(pictures_ridge(&of, &png, &why), 0);
    struct pixels good = read_back(&png);
    assert_true(look_at(&good, 0, 0, good.w, good.h).alarm < 0.0005);
    struct gap hole = {.after = 19, .missing = 3, .tiles = 40};
    v->gaps = &hole;
    v->gap_count = 1;
    for (int32_t i = 20; i < 40; i++)
        v->ridge.place[i] += 3;
    v->unsharp_after_fraction = 0.2;
    assert_int_equal(pictures_ridge(&of, &png, &why), 0);
    struct pixels bad = read_back(&png);
    const int32_t hole_x = (int32_t)(112 + 20 * 860.0 / 43);
    assert_true(look_at(&bad, hole_x, 200, (int32_t)(3 * 860.0 / 43), 60).alarm > 0.2);
    assert_true(look_at(&bad, hole_x - 120, 200, 100, 60).alarm < 0.001);
    assert_true(look_at(&bad, 600, 600, 300, 16).alarm > 0.1); /* beyond the last slice */
    assert_true(bad.h > good.h);
    v->gaps = NULL;
    v->gap_count = 0;
    free(good.rgb);
    free(bad.rgb);
    made_up_free(m);
}

static struct image_rgb gray_picture(int32_t w, int32_t h, uint8_t value)
{
    struct image_rgb p = {w, h, malloc((size_t)w * (size_t)h * 3)};
    memset(p.rgb, value, (size_t)w * (size_t)h * 3);
    return p;
}

/* On the made-up slope frame 30 of 40 is sharpest in a band near x = 0.7: there the frame stays, elsewhere it
 * is nearly paper. */
static void one_frame_keeps_what_is_sharpest_in_it(void **state)
{
    (void)state;
    struct err why = {0};
    struct drawing png;
    struct made_up *m = made_up_stack(40, 1800, 1200, false);
    const struct pictures_of of = made_up_pictures(m);
    struct image_rgb dark = gray_picture(FRAME_WIDTH, FRAME_WIDTH * 1200 / 1800, 60);
    int32_t tiles;
    const int32_t richest = pictures_richest(&m->verdict, &tiles);
    assert_true(tiles > 0);
    assert_in_range(richest, 0, 39);
    assert_int_equal(pictures_frame(&of, 30, tiles, &dark, &png, &why), 0);
    struct pixels p = read_back(&png);
    const int32_t right = p.w - FRAME_WIDTH, y = dark.height_px / 2;
    /* depth = 39 (0.15 + 0.7 x + 0.1 y): 30 at y = 0.5 is x = 0.813 */
    const int32_t inside = right + (int32_t)(0.813 * FRAME_WIDTH),
                  outside = right + (int32_t)(0.6 * FRAME_WIDTH);
    assert_near(look_at(&p, 100, y, 50, 20).mean[0], 60, 1);
    assert_near(look_at(&p, inside - 2, y - 2, 4, 4).mean[0], 60, 12);
    assert_true(look_at(&p, outside, y, 50, 20).mean[0] > 200);
    free(p.rgb);
    free(dark.rgb);
    made_up_free(m);
}

static void a_retake_shows_both_tries_of_one_place(void **state)
{
    (void)state;
    struct err why = {0};
    struct drawing png;
    struct made_up *m = made_up_stack(40, 1800, 1200, false);
    const struct pictures_of of = made_up_pictures(m);
    struct image_rgb dark = gray_picture(1800, 1200, 20), light = gray_picture(1800, 1200, 140),
                     small = gray_picture(900, 600, 140);
    assert_int_equal(pictures_retake(&of, 30, "dark: the flash did not fire", &dark, &light, &png, &why), 0);
    struct pixels p = read_back(&png);
    assert_near(look_at(&p, 10, 10, PLACE_WIDTH - 20, PLACE_HEIGHT - 20).mean[0], 20, 0.01);
    assert_near(look_at(&p, p.w - PLACE_WIDTH + 10, 10, PLACE_WIDTH - 20, PLACE_HEIGHT - 20).mean[0], 140,
                0.01);
    assert_int_equal(pictures_retake(&of, 30, "", &small, &light, &png, &why), E_INPUT);
    free(p.rgb);
    free(dark.rgb);
    free(light.rgb);
    free(small.rgb);
    made_up_free(m);
}

/* Where a drawn pixel of a coded picture was stored. */
static void stored_at(const struct pixels *p, int32_t x, int32_t y, int32_t *column, int32_t *row)
{
    const uint8_t *c = p->rgb + 3 * (y * p->w + x);
    *column = c[0] + c[2] / 16 * 256;
    *row = c[1] + c[2] % 16 * 256;
}

/* TIFF 6.0, tag 274 = 6: row 0 is the right side, column 0 the top. So to the right lies the row before, and
 * below lies the next column. */
static void pixels_are_turned_when_they_are_drawn(void **state)
{
    (void)state;
    enum { STORED_W = 1800, STORED_H = 1200 };
    struct err why = {0};
    struct drawing png[2];
    struct made_up *m = made_up_stack(40, STORED_H, STORED_W, true); /* as shown: portrait */
    const struct pictures_of of = made_up_pictures(m);
    struct image_rgb coded = gray_picture(STORED_W, STORED_H, 0);
    for (int32_t y = 0; y < STORED_H; y++)
        for (int32_t x = 0; x < STORED_W; x++) {
            uint8_t *c = coded.rgb + 3 * (y * STORED_W + x);
            c[0] = (uint8_t)x, c[1] = (uint8_t)y, c[2] = (uint8_t)(x / 256 * 16 + y / 256);
        }
    m->verdict.orientation = 6;
    m->verdict.weakest[0] = (struct weak_place){.at_x_px = 500, .at_y_px = 900};
    assert_int_equal(pictures_retake(&of, 30, "", &coded, &coded, &png[0], &why), 0);
    assert_int_equal(pictures_place(&of, 0, coded.rgb, STORED_W, STORED_H, &png[1], &why), 0);
    for (int i = 0; i < 2; i++) {
        struct pixels p = read_back(&png[i]);
        int32_t column, row, right[2], below[2];
        stored_at(&p, 50, 60, &column, &row);
        stored_at(&p, 51, 60, &right[0], &right[1]);
        stored_at(&p, 50, 61, &below[0], &below[1]);
        assert_true(right[0] == column && right[1] == row - 1);
        assert_true(below[0] == column + 1 && below[1] == row);
        if (i == 1) { /* the place itself lies in the middle of its picture */
            assert_int_equal(STORED_H - 1 - row, 500 - PLACE_WIDTH / 2 + 50);
            assert_int_equal(column, 900 - PLACE_HEIGHT / 2 + 60);
        }
        free(p.rgb);
    }
    free(coded.rgb);
    made_up_free(m);
}

static int draw_coverage(const struct pictures_of *of, struct drawing *out, struct err *why)
{
    struct drawing bare;
    const int rc = pictures_coverage(of, &bare, out, why);
    if (!rc) drawing_clear(&bare);
    return rc;
}

static void failing_memory_leaves_nothing_behind(void **state)
{
    (void)state;
    struct made_up *m = made_up_stack(8, 400, 300, true);
    const struct pictures_of of = made_up_pictures(m);
    int (*const draw[])(const struct pictures_of *, struct drawing *,
                        struct err *) = {draw_coverage, pictures_ridge, pictures_contact};
    for (int i = 0; i < 3; i++) {
        int rc = E_NOMEM;
        for (long n = 1; rc && n < 100; n++) {
            struct err why = {0};
            struct drawing png = {0};
            mem_fail_at(n);
            rc = draw[i](&of, &png, &why);
            mem_fail_at(0);
            assert_true(rc == 0 || (rc == E_NOMEM && why.text[0] && !png.bytes));
            drawing_clear(&png);
        }
        assert_int_equal(rc, 0);
    }
    made_up_free(m);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(coverage_has_the_shape_of_the_frame),
        cmocka_unit_test(coverage_tells_near_from_far),
        cmocka_unit_test(coverage_shows_the_subject_through_the_tint),
        cmocka_unit_test(coverage_hatches_only_what_is_sharp_nowhere),
        cmocka_unit_test(contact_sheet_shows_every_frame),
        cmocka_unit_test(contact_sheet_of_a_huge_stack_stays_a_sheet),
        cmocka_unit_test(frames_are_described_in_words),
        cmocka_unit_test(weak_place_is_shown_at_full_size),
        cmocka_unit_test(ridge_runs_down_through_the_picture),
        cmocka_unit_test(ridge_tells_a_gap_and_what_lies_beyond),
        cmocka_unit_test(one_frame_keeps_what_is_sharpest_in_it),
        cmocka_unit_test(a_retake_shows_both_tries_of_one_place),
        cmocka_unit_test(pixels_are_turned_when_they_are_drawn),
        cmocka_unit_test(failing_memory_leaves_nothing_behind),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
