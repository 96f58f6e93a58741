/* Files that are hard to judge - turned by their Exif orientation, raw - each right, wrong and borderline
 * (tests/support/hard.h). Orientations: what CIPA DC-008-2019 (Exif 2.32) 4.6.5.1 says of row 0 and column 0;
 * raw: Adobe DNG 1.4, read by LibRaw. */
#include <string.h>

#include <tiffio.h>

#include "base/mem.h"
#include "image/decode.h"
#include "tests/support/hard.h"
#include "tests/support/picture.h"
#include "tests/support/test.h"

static void take_bytes(struct bytes made, uint8_t **bytes, size_t *count)
{
    mem_free(*bytes);
    *bytes = mem_new(made.n, 1, NULL);
    memcpy(*bytes, made.p, made.n);
    *count = made.n;
    free(made.p);
}

static struct image_rgb decoded(const uint8_t *bytes, size_t count)
{
    struct image_rgb image;
    struct err why = {0};
    if (image_decode_rgb("frame", bytes, count, 0, &image, &why)) fail_msg("%s", why.text);
    return image;
}

/* ---- orientation ---- */

enum { N = HARD_FRAMES, ODD = 17 };

/* The upright picture is the world's; it is stored as a camera does that was held so. */
struct held {
    int orientation; /* of all frames; 0: no tag */
    int tag;         /* that they tell, if not that */
    int odd_tag;     /* of frame ODD alone, whose pixels are stored as the others' are; 0: as the others */
    const struct hard *h;
};

struct seen {
    int32_t x, y;
};

/* Where a stored pixel is seen in an upright picture of w x h. */
static struct seen seen_at(int orientation, int32_t w, int32_t h, int32_t row, int32_t column)
{
    switch (orientation) {
    case 2: /* row 0 is the top, column 0 the right side; and so on */
        return (struct seen){w - 1 - column, row};
    case 3:
        return (struct seen){w - 1 - column, h - 1 - row};
    case 4:
        return (struct seen){column, h - 1 - row};
    case 5: /* row 0 is the left side, column 0 the top */
        return (struct seen){row, column};
    case 6:
        return (struct seen){w - 1 - row, column};
    case 7:
        return (struct seen){w - 1 - row, h - 1 - column};
    case 8:
        return (struct seen){row, h - 1 - column};
    default:
        return (struct seen){column, row};
    }
}

static void hold(void *arg, const struct shoot_frame *f, uint8_t **bytes, size_t *count)
{
    const struct held *held = arg;
    struct image_rgb up = decoded(*bytes, *count);
    const bool side = held->orientation >= 5;
    const int32_t w = side ? up.height_px : up.width_px, h = side ? up.width_px : up.height_px;
    uint8_t *stored = malloc(3 * (size_t)w * (size_t)h);
    for (int32_t y = 0; y < h; y++)
        for (int32_t x = 0; x < w; x++) {
            const struct seen p = seen_at(held->orientation, up.width_px, up.height_px, y, x);
            memcpy(stored + 3 * ((size_t)y * (size_t)w + (size_t)x),
                   up.rgb + 3 * ((size_t)p.y * (size_t)up.width_px + (size_t)p.x), 3);
        }
    const bool odd = held->odd_tag && f->at_nm == held->h->f[ODD].at_nm;
    const int usual = held->tag ? held->tag : held->orientation;
    const struct exif_says says = {.orientation = odd ? held->odd_tag : usual, .iso = 100};
    const struct bytes exif = exif_make(&says);
    take_bytes(jpeg_make(stored, w, h, &(struct jpeg_how){.quality = 95, .h = 1, .v = 1, .exif = exif}),
               bytes, count);
    free(exif.p);
    free(stored);
    image_rgb_clear(&up);
}

static void open_held(struct hard *h, struct held *held, int orientation, int odd_tag)
{
    struct shoot_scene scene = hard_aloe();
    scene.width_px = 240;
    scene.height_px = 200;
    hard_open(h, &scene);
    *held = (struct held){orientation, 0, odd_tag, h};
    h->s.touch = hold;
    h->s.touch_arg = held;
}

/* Share of the upright picture's places that peak alike. The verdict is told as the picture is shown; where
 * the grid does not fit it begins elsewhere, so places are compared, not rows and columns. */
static double places_alike(const struct verdict *up, const struct verdict *v)
{
    int32_t asked = 0, alike = 0;
    for (int32_t i = 0; i < v->rows * v->cols; i++) {
        const int32_t tile_row = i / v->cols, x = v->grid_x_px + i % v->cols * v->tile_px + v->tile_px / 2,
                      y = v->grid_y_px + tile_row * v->tile_px + v->tile_px / 2;
        const int32_t row = y / up->tile_px, col = x / up->tile_px;
        if (row >= up->rows || col >= up->cols) continue;
        const struct tile_verdict *a = &up->tiles[row * up->cols + col], *b = &v->tiles[i];
        if (a->state != TILE_COVERED || a->peak_count != 1) continue;
        asked++;
        alike += b->peak_count > 0 && fabs((double)(a->peak[0] - b->peak[0])) <= 1;
    }
    assert_true(asked > 40);
    return (double)alike / asked;
}

static void all_orientations_tell_the_same_places(void **state)
{
    (void)state;
    struct hard up, h;
    struct held held_up, held;
    open_held(&up, &held_up, 1, 0);
    hard_judge(&up, 0, N, "orientation 1");
    assert_int_equal(hard_blames(&up), 0);
    for (int orientation = 2; orientation <= 8; orientation++) {
        char what[64];
        open_held(&h, &held, orientation, 0);
        snprintf(what, sizeof what, "all frames of orientation %d", orientation);
        hard_judge(&h, 0, N, what);
        const double alike = places_alike(&up.v, &h.v);
        printf("measured: orientation %d: %.3f of the places peak where they are seen upright\n", orientation,
               alike);
        assert_int_equal(hard_blames(&h), 0);
        assert_true(abs(h.v.useful_first - up.v.useful_first) <= 1);
        assert_true(abs(h.v.useful_last - up.v.useful_last) <= 1);
        assert_true(alike >= 0.9);
        assert_int_equal(h.v.orientation, orientation);
        assert_int_equal(h.v.width_px, 240);
        assert_int_equal(h.v.height_px, 200);
        hard_close(&h);
    }
    /* Planted: all tell another orientation than they are stored in. */
    open_held(&h, &held, 6, 0);
    held.tag = 8;
    hard_judge(&h, 0, N, "stored for orientation 6, all tell 8");
    assert_true(places_alike(&up.v, &h.v) < 0.5);
    hard_close(&h);
    hard_close(&up);
}

static void a_frame_of_another_orientation_is_told(void **state)
{
    (void)state;
    struct hard h;
    struct held held;
    open_held(&h, &held, 1, 6);
    hard_judge(&h, 0, N, "frame 18 alone tells orientation 6");
    assert_true(hard_names(&h, "turned", ODD) && hard_said(&h, "turned")->frame_count == 1);
    assert_int_equal(hard_blames(&h), 1);
    hard_close(&h);
    open_held(&h, &held, 8, 1);
    hard_judge(&h, 0, N, "all tell 8, frame 18 tells 1");
    assert_true(hard_names(&h, "turned", ODD) && hard_said(&h, "turned")->frame_count == 1);
    hard_close(&h);
    open_held(&h, &held, 0, 1);
    hard_judge(&h, 0, N, "borderline: frame 18 tells 1, the others nothing");
    assert_int_equal(hard_blames(&h), 0);
    hard_close(&h);
}

/* ---- raw ---- */

struct raw_says {
    bool preview; /* half as wide, as some cameras write */
    bool looked;  /* at the first file with libtiff */
};

/* IEC 61966-2-1, from memory; 16 bit. */
static uint16_t linear(uint8_t code)
{
    const double v = code / 255.0;
    return (uint16_t)lround(65535 * (v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4)));
}

/* What another library reads in it. */
static void look_with_libtiff(const struct bytes *dng, int32_t w, int32_t h)
{
    char path[PATH_ROOM];
    uint32_t width = 0, height = 0;
    uint16_t photometric = 0, bits = 0;
    snprintf(path, sizeof path, "%s/first.dng", test_folder());
    FILE *f = fopen(path, "wb");
    assert_int_equal(fwrite(dng->p, 1, dng->n, f), dng->n);
    fclose(f);
    TIFFSetWarningHandler(NULL);
    TIFF *tiff = TIFFOpen(path, "r");
    assert_non_null(tiff);
    TIFFGetField(tiff, TIFFTAG_IMAGEWIDTH, &width);
    TIFFGetField(tiff, TIFFTAG_IMAGELENGTH, &height);
    TIFFGetField(tiff, TIFFTAG_PHOTOMETRIC, &photometric);
    TIFFGetField(tiff, TIFFTAG_BITSPERSAMPLE, &bits);
    assert_int_equal(width, w);
    assert_int_equal(height, h);
    assert_int_equal(photometric, PHOTOMETRIC_CFA);
    assert_int_equal(bits, 16);
    TIFFClose(tiff);
}

static struct bytes half_size(const struct image_rgb *image)
{
    const int32_t w = image->width_px / 2, h = image->height_px / 2;
    uint8_t *rgb = malloc(3 * (size_t)w * (size_t)h);
    for (int32_t y = 0; y < h; y++)
        for (int32_t i = 0; i < 3 * w; i++) {
            const uint8_t *p = image->rgb + 3 * (2 * (size_t)y * (size_t)image->width_px) + i / 3 * 6 + i % 3;
            const size_t below = 3 * (size_t)image->width_px;
            rgb[3 * (size_t)y * (size_t)w + (size_t)i] =
                (uint8_t)((p[0] + p[3] + p[below] + p[below + 3]) / 4);
        }
    const struct bytes made = jpeg_make(rgb, w, h, &(struct jpeg_how){.quality = 92});
    free(rgb);
    return made;
}

/* Each pixel keeps one colour of its own: red, green / green, blue. */
static void make_raw(void *arg, const struct shoot_frame *f, uint8_t **bytes, size_t *count)
{
    (void)f;
    struct raw_says *says = arg;
    struct image_rgb image = decoded(*bytes, *count);
    const int32_t w = image.width_px, h = image.height_px;
    uint16_t *mosaic = malloc(sizeof *mosaic * (size_t)w * (size_t)h);
    for (int32_t y = 0; y < h; y++)
        for (int32_t x = 0; x < w; x++)
            mosaic[(size_t)y * (size_t)w + (size_t)x] =
                linear(image.rgb[3 * ((size_t)y * (size_t)w + (size_t)x) + (size_t)(y % 2 + x % 2)]);
    const struct bytes preview = says->preview ? half_size(&image) : (struct bytes){0};
    const struct bytes dng = dng_make(mosaic, w, h, &(struct exif_says){.iso = 100}, preview, w / 2, h / 2);
    if (!says->looked && !says->preview) look_with_libtiff(&dng, w, h);
    says->looked = true;
    take_bytes(dng, bytes, count);
    free(preview.p);
    free(mosaic);
    image_rgb_clear(&image);
}

static void a_stack_of_raws_is_judged_as_its_pictures(void **state)
{
    (void)state;
    enum { AT = 18 };
    struct raw_says says = {0};
    struct hard h;
    struct shoot_scene scene = hard_aloe();
    hard_open(&h, &scene);
    hard_judge(&h, 0, N, "JPEG");
    const int32_t first = h.v.useful_first, last = h.v.useful_last;
    hard_close(&h);
    scene.width_px *= 2;
    scene.height_px *= 2;
    for (int preview = 0; preview < 2; preview++) {
        says = (struct raw_says){.preview = preview};
        hard_open(&h, &scene);
        h.s.touch = make_raw;
        h.s.touch_arg = &says;
        hard_judge(&h, 0, N, preview ? "borderline: raw with a preview of half its width" : "raw");
        printf("measured: useful %d-%d of the JPEGs, %d-%d of the raws\n", first, last, h.v.useful_first,
               h.v.useful_last);
        assert_true(says.looked);
        assert_int_equal(hard_blames(&h), 0);
        assert_true(abs(h.v.useful_first - first) <= 1 && abs(h.v.useful_last - last) <= 1);
        hard_judge(&h, 0, N - 12, preview ? "the same, eight slices too few" : "raw, eight slices too few");
        assert_true(hard_said(&h, "too-short-far"));
        h.f[AT].light_stops = -7;
        hard_judge(&h, 0, N, preview ? "the same, lamp off for frame 19" : "raw, lamp off for frame 19");
        assert_true(hard_names(&h, "light-odd", AT));
        assert_int_equal(hard_blames(&h), 1);
        hard_close(&h);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(all_orientations_tell_the_same_places),
        cmocka_unit_test(a_frame_of_another_orientation_is_told),
        cmocka_unit_test(a_stack_of_raws_is_judged_as_its_pictures),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
