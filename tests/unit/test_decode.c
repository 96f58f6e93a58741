/* Picture files: whole ones give their pixels and facts, others one clear refusal. */
#include "tests/support/test.h"

#include <jpeglib.h>
#include <libexif/exif-data.h>

#include "base/mem.h"
#include "image/decode.h"
#include "tests/support/picture.h"

#define WIDTH  75
#define HEIGHT 51

/* Smooth colours with clipped corners: red at its end on the right, black at the bottom left. */
static uint8_t *colours(int width, int height)
{
    uint8_t *rgb = malloc((size_t)width * (size_t)height * 3);
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++) {
            uint8_t *p = rgb + ((size_t)y * (size_t)width + (size_t)x) * 3;
            const int r = 300 * x / width - 20, g = 200 - 220 * y / height,
                      b = 60 + 80 * (x + y) / (width + height);
            const bool black = x < width / 5 && y > height * 4 / 5;
            p[0] = (uint8_t)(black || r < 0 ? 0 : r > 255 ? 255 : r);
            p[1] = (uint8_t)(black || g < 0 ? 0 : g);
            p[2] = (uint8_t)(black ? 0 : b);
        }
    return rgb;
}

static double luma_of(const uint8_t *rgb) /* ITU-R BT.601 */
{
    return 0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2];
}

struct sample {
    char name[64];
    struct bytes file;
    enum image_kind kind;
    double tolerance; /* of luma */
};

/* One file of every kind that is read. */
static int make_samples(struct sample *out)
{
    uint8_t *rgb = colours(WIDTH, HEIGHT);
    int n = 0;
    static const int sampling[][2] = {{1, 1}, {2, 1}, {2, 2}, {1, 2}, {4, 1}};
    for (int i = 0; i < 10; i++) {
        struct jpeg_how how = {98, sampling[i % 5][0], sampling[i % 5][1], false, i >= 5, {NULL, 0}};
        struct sample *s = &out[n++];
        snprintf(s->name, sizeof s->name, "%s %dx%d.jpg", i >= 5 ? "progressive" : "baseline", how.h, how.v);
        s->file = jpeg_make(rgb, WIDTH, HEIGHT, &how);
        s->kind = IMAGE_JPEG;
        s->tolerance = 6;
    }
    struct jpeg_how gray = {98, 0, 0, true, false, {NULL, 0}};
    out[n++] = (struct sample){"gray.jpg", jpeg_make(rgb, WIDTH, HEIGHT, &gray), IMAGE_JPEG, 6};
    for (int i = 0; i < 16; i++) {
        struct png_how how = {i & 1 ? 16 : 8, i & 2, i & 4, i & 8, {NULL, 0}};
        struct sample *s = &out[n++];
        snprintf(s->name, sizeof s->name, "%d bit%s%s%s.png", how.bits, how.gray ? " gray" : "",
                 how.interlaced ? " interlaced" : "", how.alpha ? " alpha" : "");
        s->file = png_make(rgb, WIDTH, HEIGHT, &how);
        s->kind = IMAGE_PNG;
        s->tolerance = 0.51;
    }
    static const int compression[] = {1, 5, 8};
    for (int i = 0; i < 24; i++) {
        struct tiff_how how = {i & 1 ? 16 : 8, compression[i / 8], 0, i & 2, i & 4};
        struct sample *s = &out[n++];
        snprintf(s->name, sizeof s->name, "%d bit%s%s compression %d.tif", how.bits, how.gray ? " gray" : "",
                 how.big_endian ? " big-endian" : "", how.compression);
        s->file = tiff_make(rgb, WIDTH, HEIGHT, &how);
        s->kind = IMAGE_TIFF;
        s->tolerance = 0.51;
    }
    free(rgb);
    return n;
}

#define SAMPLES_MOST 64

static void free_samples(struct sample *samples, int n)
{
    for (int i = 0; i < n; i++)
        free(samples[i].file.p);
}

static void every_kind_gives_its_picture_back(void **state)
{
    (void)state;
    struct sample sample[SAMPLES_MOST];
    const int n = make_samples(sample);
    uint8_t *rgb = colours(WIDTH, HEIGHT);
    struct image io = {0};
    for (int i = 0; i < n; i++) {
        struct err why = {0};
        struct image_facts facts, early;
        struct image_rgb colour;
        const struct bytes f = sample[i].file;
        const int rc = image_decode_luma(sample[i].name, f.p, f.n, &io, &facts, &why);
        if (rc) print_error("%s\n", why.text);
        assert_int_equal(rc, E_OK);
        assert_int_equal(facts.kind, sample[i].kind);
        assert_int_equal(facts.width_px, WIDTH);
        assert_int_equal(facts.height_px, HEIGHT);
        assert_int_equal(image_read_facts(sample[i].name, f.p, f.n, &early, &why), E_OK);
        assert_memory_equal(&early, &facts, sizeof facts);
        double worst = 0;
        for (int k = 0; k < WIDTH * HEIGHT; k++)
            worst = fmax(worst, fabs(io.luma[k] - luma_of(rgb + 3 * k)));
        if (worst > sample[i].tolerance) print_error("%s\n", sample[i].name);
        assert_near(worst, 0, sample[i].tolerance);
        assert_int_equal(image_decode_rgb(sample[i].name, f.p, f.n, 0, &colour, &why), E_OK);
        assert_int_equal(colour.width_px, WIDTH);
        worst = 0;
        for (int k = 0; k < WIDTH * HEIGHT; k++)
            worst = fmax(worst, fabs(luma_of(colour.rgb + 3 * k) - luma_of(rgb + 3 * k)));
        assert_near(worst, 0, sample[i].tolerance + 0.5);
        image_rgb_clear(&colour);
    }
    image_clear(&io);
    free(rgb);
    free_samples(sample, n);
}

/* Peer: the library's own gray and, without smoothing of chroma, its own colours. */
static void jpeg_luma_and_clipping_are_those_of_the_library(void **state)
{
    (void)state;
    static const int sampling[][2] = {{1, 1}, {2, 1}, {2, 2}, {1, 2}};
    for (int i = 0; i < 40; i++) {
        const int width = 16 + 7 * i, height = 95 - 2 * i;
        uint8_t *rgb = colours(width, height);
        struct jpeg_how how = {60 + i, sampling[i % 4][0], sampling[i % 4][1], false, i % 3 == 0, {NULL, 0}};
        struct bytes f = jpeg_make(rgb, width, height, &how);
        struct image io = {0};
        struct err why;
        assert_int_equal(image_decode_luma("a.jpg", f.p, f.n, &io, NULL, &why), E_OK);
        for (int colour = 0; colour < 2; colour++) {
            struct jpeg_decompress_struct d;
            struct jpeg_error_mgr trouble;
            d.err = jpeg_std_error(&trouble);
            jpeg_create_decompress(&d);
            jpeg_mem_src(&d, f.p, f.n);
            jpeg_read_header(&d, TRUE);
            d.out_color_space = colour ? JCS_RGB : JCS_GRAYSCALE;
            d.do_fancy_upsampling = FALSE;
            jpeg_start_decompress(&d);
            JSAMPROW row = malloc((size_t)width * 3);
            for (int y = 0; y < height; y++) {
                jpeg_read_scanlines(&d, &row, 1);
                for (int x = 0; x < width; x++) {
                    const uint8_t *p = row + 3 * x;
                    const int high = p[0] == 255 || p[1] == 255 || p[2] == 255, low = !p[0] && !p[1] && !p[2];
                    if (colour)
                        assert_int_equal(io.ends[y * width + x], high * IMAGE_END_HIGH + low * IMAGE_END_LOW);
                    else
                        assert_int_equal(io.luma[y * width + x], row[x]);
                }
            }
            free(row);
            jpeg_finish_decompress(&d);
            jpeg_destroy_decompress(&d);
        }
        image_clear(&io);
        free(f.p);
        free(rgb);
    }
}

/* A picture row by row, beside the same one decoded as a whole. */
struct by_row {
    const struct image *whole;
    int32_t y, looked, blind, blind_most; /* blind: rows since the last one that was looked at */
};

static int by_row_begin(void *arg, int32_t width_px, int32_t height_px, struct err *why)
{
    (void)why;
    struct by_row *b = arg;
    assert_int_equal(width_px, b->whole->width_px);
    assert_int_equal(height_px, b->whole->height_px);
    b->y = b->looked = b->blind = b->blind_most = 0;
    return E_OK;
}

static void by_row_take(void *arg, const uint8_t *luma, const uint8_t *ends, bool looked)
{
    struct by_row *b = arg;
    const size_t width = (size_t)b->whole->width_px, at = (size_t)b->y++ * width;
    assert_memory_equal(luma, b->whole->luma + at, width);
    b->looked += looked;
    b->blind = looked ? 0 : b->blind + 1;
    if (b->blind > b->blind_most) b->blind_most = b->blind;
    if (!looked) {
        assert_null(ends);
        return;
    }
    for (size_t x = 0; x < width; x++)
        assert_int_equal(ends ? ends[x] : 0, b->whole->ends[at + x]);
}

/* Small pictures are looked at for clipping everywhere, large ones in one strip of 8 or 16 rows out of 48. */
static void rows_are_those_of_the_whole_picture(void **state)
{
    (void)state;
    static const int sampling[][2] = {{1, 1}, {2, 1}, {2, 2}, {1, 2}};
    for (int i = 0; i < 16; i++) {
        const int width = i < 8 ? 4100 + i : 75, height = i < 8 ? 203 : 51;
        uint8_t *rgb = colours(width, height);
        struct jpeg_how how = {95, sampling[i % 4][0], sampling[i % 4][1], false, i & 4, {NULL, 0}};
        struct bytes f = jpeg_make(rgb, width, height, &how);
        struct image whole = {0};
        struct image_facts facts;
        struct err why;
        struct by_row b = {.whole = &whole};
        const struct image_rows to = {by_row_begin, by_row_take, &b};
        assert_int_equal(image_decode_luma("a.jpg", f.p, f.n, &whole, NULL, &why), E_OK);
        assert_int_equal(image_decode_rows("a.jpg", f.p, f.n, &to, &facts, &why), E_OK);
        assert_int_equal(facts.width_px, width);
        assert_int_equal(b.y, height);
        assert_int_equal(b.blind_most, i < 8 ? 48 - 8 * how.v : 0);
        assert_int_equal(image_decode_rows("a.jpg", f.p, f.n / 2, &to, NULL, &why), E_INPUT);
        image_clear(&whole);
        free(f.p);
        free(rgb);
    }
}

static void colour_is_reduced_to_the_size_asked(void **state)
{
    (void)state;
    uint8_t *rgb = colours(1000, 640);
    struct jpeg_how how = {95, 0, 0, false, false, {NULL, 0}};
    struct png_how png = {8, false, false, false, {NULL, 0}};
    struct bytes f[2] = {jpeg_make(rgb, 1000, 640, &how), png_make(rgb, 1000, 640, &png)};
    for (int i = 0; i < 2; i++) {
        struct image_rgb small;
        struct err why;
        assert_int_equal(image_decode_rgb("a", f[i].p, f[i].n, 100, &small, &why), E_OK);
        assert_int_equal(small.width_px, 100);
        assert_int_equal(small.height_px, 64);
        for (int y = 2; y < 50; y++)
            for (int x = 5; x < 95; x++)
                assert_near(luma_of(small.rgb + 3 * (y * 100 + x)),
                            luma_of(rgb + 3 * ((y * 10 + 5) * 1000 + x * 10 + 5)), 6);
        image_rgb_clear(&small);
        free(f[i].p);
    }
    free(rgb);
}

/* IEC 61966-2-1 */
static double srgb_of(double linear)
{
    return 255 * (linear <= 0.0031308 ? 12.92 * linear : 1.055 * pow(linear, 1 / 2.4) - 0.055);
}

static uint16_t *sensor(int width, int height)
{
    uint16_t *cfa = malloc((size_t)width * (size_t)height * sizeof *cfa);
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++)
            cfa[y * width + x] = x < width / 2 ? 12000 : 40000;
    return cfa;
}

static void a_raw_is_developed_at_half_size_as_stored(void **state)
{
    (void)state;
    uint16_t *cfa = sensor(192, 128);
    const struct exif_says says = {6, "2001:01:01 20:00:00", NULL, NULL, {1, 60}, {28, 10}, 200, false};
    struct bytes f = dng_make(cfa, 192, 128, &says, (struct bytes){NULL, 0}, 0, 0);
    struct image io = {0};
    struct image_facts facts, early;
    struct err why = {0};
    const int rc = image_decode_luma("a.dng", f.p, f.n, &io, &facts, &why);
    if (rc) print_error("%s\n", why.text);
    assert_int_equal(rc, E_OK);
    assert_int_equal(facts.kind, IMAGE_RAW);
    assert_true(facts.reduced);
    assert_int_equal(facts.width_px, 96);
    assert_int_equal(facts.height_px, 64);
    assert_int_equal(facts.orientation, 6);
    assert_int_equal(facts.exposure_us, 16667);
    assert_near(io.luma[32 * 96 + 20], srgb_of(12000 / 65535.0), 2);
    assert_near(io.luma[32 * 96 + 76], srgb_of(40000 / 65535.0), 2);
    printf("measured: developed raw %d and %d where the curve of the standard gives %.1f and %.1f\n",
           io.luma[32 * 96 + 20], io.luma[32 * 96 + 76], srgb_of(12000 / 65535.0), srgb_of(40000 / 65535.0));
    assert_int_equal(image_read_facts("a.dng", f.p, f.n, &early, &why), E_OK);
    assert_memory_equal(&early, &facts, sizeof facts);
    image_clear(&io);
    free(f.p);
    free(cfa);
}

static void the_preview_of_a_raw_is_taken_when_it_is_half_as_wide(void **state)
{
    (void)state;
    uint16_t *cfa = sensor(192, 128);
    const struct exif_says says = {1, NULL, NULL, NULL, {0, 0}, {0, 0}, 0, false};
    static const int size[][3] = {{192, 128, 192}, {96, 64, 96}, {80, 53, 96}};
    for (int i = 0; i < 3; i++) {
        const int width = size[i][0], height = size[i][1];
        uint8_t *rgb = colours(width, height);
        struct jpeg_how how = {98, 1, 1, false, false, {NULL, 0}};
        struct bytes preview = jpeg_make(rgb, width, height, &how);
        struct bytes f = dng_make(cfa, 192, 128, &says, preview, width, height);
        struct image io = {0};
        struct image_facts facts, early;
        struct err why = {0};
        const int rc = image_decode_luma("a.dng", f.p, f.n, &io, &facts, &why);
        if (rc) print_error("%s\n", why.text);
        assert_int_equal(rc, E_OK);
        assert_int_equal(facts.kind, IMAGE_RAW);
        assert_int_equal(facts.width_px, size[i][2]);
        if (i < 2)
            for (int k = 0; k < width * height; k++)
                assert_near(io.luma[k], luma_of(rgb + 3 * k), 6);
        else
            assert_near(io.luma[10 * 96 + 20], srgb_of(12000 / 65535.0), 2);
        assert_int_equal(image_read_facts("a.dng", f.p, f.n, &early, &why), E_OK);
        assert_memory_equal(&early, &facts, sizeof facts);
        image_clear(&io);
        free(f.p);
        free(preview.p);
        free(rgb);
    }
    free(cfa);
}

/* CIPA DC-008: "05" behind the point is 0.05 s; the offset is local time minus UTC. 2001-01-01T20:00:00Z is
 * 978379200 s after 1970 (POSIX). */
static void exif_facts_are_read_in_both_byte_orders(void **state)
{
    (void)state;
    uint8_t *rgb = colours(32, 32);
    for (int i = 0; i < 4; i++) {
        struct exif_says says = {8, "2001:01:01 21:30:00", "05", "+01:30", {10, 80}, {28, 10}, 400, i & 1};
        if (i & 2) says.offset = NULL;
        struct bytes exif = exif_make(&says);
        struct jpeg_how jpeg = {90, 0, 0, false, false, exif};
        struct png_how png = {8, false, false, false, exif};
        struct bytes f[2] = {jpeg_make(rgb, 32, 32, &jpeg), png_make(rgb, 32, 32, &png)};
        for (int k = 0; k < 2; k++) {
            struct image_facts facts;
            struct err why;
            assert_int_equal(image_read_facts("a", f[k].p, f[k].n, &facts, &why), E_OK);
            assert_int_equal(facts.orientation, 8);
            assert_int_equal(facts.exposure_us, 125000);
            assert_near(facts.f_number, 2.8, 1e-12);
            assert_near(facts.iso, 400, 0);
            assert_int_equal(facts.captured_zone_known, !(i & 2));
            const int64_t utc_us = 978379200050000;
            assert_true(facts.captured_wall_us == (i & 2 ? utc_us + 5400000000 : utc_us));
        }
        /* Peer: libexif finds the same in the same JPEG. */
        ExifData *peer = exif_data_new_from_data(f[0].p, (unsigned)f[0].n);
        const ExifByteOrder order = exif_data_get_byte_order(peer);
        ExifEntry *e = exif_content_get_entry(peer->ifd[EXIF_IFD_EXIF], EXIF_TAG_EXPOSURE_TIME);
        const ExifRational r = exif_get_rational(e->data, order);
        assert_near((double)r.numerator / r.denominator, 0.125, 0);
        e = exif_content_get_entry(peer->ifd[EXIF_IFD_EXIF], EXIF_TAG_DATE_TIME_ORIGINAL);
        assert_string_equal((const char *)e->data, "2001:01:01 21:30:00");
        e = exif_content_get_entry(peer->ifd[EXIF_IFD_0], EXIF_TAG_ORIENTATION);
        assert_int_equal(exif_get_short(e->data, order), 8);
        exif_data_unref(peer);
        free(f[0].p);
        free(f[1].p);
        free(exif.p);
    }
    free(rgb);
}

static void absent_or_nonsense_exif_is_not_told(void **state)
{
    (void)state;
    uint8_t *rgb = colours(32, 32);
    static const char *const date[] = {NULL, "    :  :     :  :  ", "2001:13:01 00:00:00", "2001:01:01",
                                       "2001-01-01T00:00:00"};
    for (size_t i = 0; i < sizeof date / sizeof *date; i++) {
        const struct exif_says says = {9, date[i], "x", "abc", {0, 0}, {0, 0}, 0, false};
        struct bytes exif = exif_make(&says);
        struct jpeg_how jpeg = {90, 0, 0, false, false, exif};
        struct bytes f = jpeg_make(rgb, 32, 32, &jpeg);
        struct image_facts facts;
        struct err why;
        assert_int_equal(image_read_facts("a", f.p, f.n, &facts, &why), E_OK);
        assert_true(facts.captured_wall_us == INT64_MIN);
        assert_int_equal(facts.orientation, 0);
        assert_int_equal(facts.exposure_us, 0);
        assert_near(facts.f_number + facts.iso, 0, 0);
        free(f.p);
        free(exif.p);
    }
    free(rgb);
}

static void check_refused(const char *name, const uint8_t *bytes, size_t count, struct image *io)
{
    struct err why = {0};
    struct image_rgb colour;
    /* A copy of exactly that size, so that a sanitizer sees any look behind it. */
    uint8_t *copy = malloc(count ? count : 1);
    memcpy(copy, bytes, count);
    const int rc = image_decode_luma(name, copy, count, io, NULL, &why);
    if (rc != E_INPUT) print_error("%s cut to %zu bytes: %d\n", name, count, rc);
    assert_int_equal(rc, E_INPUT);
    assert_int_equal(io->width_px, 0);
    assert_non_null(strstr(why.text, name));
    assert_non_null(strchr(why.text, ';'));
    assert_int_equal(image_decode_rgb(name, copy, count, 0, &colour, &why), E_INPUT);
    free(copy);
}

static void a_file_cut_short_is_refused_wherever_it_is_cut(void **state)
{
    (void)state;
    struct sample sample[SAMPLES_MOST];
    int n = make_samples(sample), cuts = 0;
    uint16_t *cfa = sensor(64, 48);
    const struct exif_says says = {1, NULL, NULL, NULL, {1, 60}, {0, 0}, 0, false};
    sample[n++] =
        (struct sample){"raw.dng", dng_make(cfa, 64, 48, &says, (struct bytes){NULL, 0}, 0, 0), IMAGE_RAW, 0};
    struct image io = {0};
    for (int i = 0; i < n; i++) {
        const struct bytes f = sample[i].file;
        for (size_t k = 0; k<f.n; k += f.n> 1000 && k > 64 && k + 64 < f.n ? 41 : 1, cuts++)
            check_refused(sample[i].name, f.p, k, &io);
    }
    printf("measured: %d files cut short, all refused\n", cuts);
    image_clear(&io);
    free(cfa);
    free_samples(sample, n);
}

static void what_is_no_picture_is_refused(void **state)
{
    (void)state;
    static const char *const text[] = {
        "", "a", "near_mm: 1\nfar_mm: 2\n", "\xFF\xD8\xFF", "\x89PNG\r\n\x1A\n", "II*", "MM"};
    struct image io = {0};
    for (size_t i = 0; i < sizeof text / sizeof *text; i++)
        check_refused("notes.txt", (const uint8_t *)text[i], strlen(text[i]), &io);
    struct err why;
    image_decode_luma("notes.txt", (const uint8_t *)text[2], strlen(text[2]), &io, NULL, &why);
    assert_string_equal(why.text,
                        "notes.txt: not a picture that is known here; give JPEG, PNG, TIFF or raw files");
    image_decode_luma("notes.txt", (const uint8_t *)"", 0, &io, NULL, &why);
    assert_string_equal(why.text, "notes.txt: the file is empty; fetch it again");
    uint8_t zero[4096] = {0};
    check_refused("zero", zero, sizeof zero, &io);
    image_clear(&io);
}

static void a_header_that_tells_too_large_a_size_is_refused_at_once(void **state)
{
    (void)state;
    uint8_t *rgb = colours(WIDTH, HEIGHT);
    struct jpeg_how jpeg = {90, 1, 1, false, false, {NULL, 0}};
    struct bytes f = jpeg_make(rgb, WIDTH, HEIGHT, &jpeg);
    struct image io = {0};
    for (size_t i = 0; i + 9 < f.n; i++)
        if (f.p[i] == 0xFF && f.p[i + 1] == 0xC0) memset(f.p + i + 5, 0xFA, 4); /* SOF0: height, width */
    check_refused("huge.jpg", f.p, f.n, &io);
    free(f.p);
    struct png_how png = {8, false, false, false, {NULL, 0}};
    f = png_make(rgb, WIDTH, HEIGHT, &png);
    memset(f.p + 18, 0x40, 2);
    check_refused("huge.png", f.p, f.n, &io);
    memset(f.p + 16, 0xFF, 8);
    check_refused("huge.png", f.p, f.n, &io);
    memset(f.p + 16, 0, 8);
    check_refused("none.png", f.p, f.n, &io);
    free(f.p);
    free(rgb);
    image_clear(&io);
}

static uint64_t random_state;

static uint32_t random_32(void)
{
    random_state = random_state * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)(random_state >> 33);
}

/* Seeds are printed with a failure by the name of the file; under a sanitizer this is the test that matters.
 */
static void damaged_bytes_never_crash(void **state)
{
    (void)state;
    struct sample sample[SAMPLES_MOST];
    int n = make_samples(sample), refused = 0, tried = 0;
    uint16_t *cfa = sensor(64, 48);
    uint8_t *rgb = colours(64, 48);
    struct jpeg_how how = {90, 1, 1, false, false, {NULL, 0}};
    struct bytes preview = jpeg_make(rgb, 64, 48, &how);
    const struct exif_says says = {1, "2001:01:01 20:00:00", "05", "+01:00", {1, 60}, {28, 10}, 100, false};
    for (int k = 0; k < 2; k++) {
        struct sample *s = &sample[n++];
        snprintf(s->name, sizeof s->name, "raw %d.dng", k);
        s->file = dng_make(cfa, 64, 48, &says, k ? preview : (struct bytes){NULL, 0}, 64, 48);
    }
    struct image io = {0};
    for (int i = 0; i < n; i++)
        for (uint64_t seed = 1; seed <= 20; seed++, tried++) {
            struct err why = {0};
            struct image_facts facts;
            uint8_t *copy = malloc(sample[i].file.n);
            memcpy(copy, sample[i].file.p, sample[i].file.n);
            random_state = seed * 1000003 + (uint64_t)i;
            for (uint32_t k = random_32() % 8 + 1; k > 0; k--) {
                /* half of the damage in the first 200 bytes, where the structure is */
                const size_t reach = random_32() % 2 || sample[i].file.n < 200 ? sample[i].file.n : 200;
                copy[random_32() % reach] = (uint8_t)random_32();
            }
            int rc = image_decode_luma(sample[i].name, copy, sample[i].file.n, &io, &facts, &why);
            assert_true(rc == E_OK || rc == E_INPUT || rc == E_NOMEM);
            refused += rc != E_OK;
            assert_int_equal(io.width_px == 0, rc != E_OK);
            free(copy);
        }
    printf("measured: %d damaged files, %d refused, none crashed\n", tried, refused);
    image_clear(&io);
    free(preview.p);
    free(rgb);
    free(cfa);
    free_samples(sample, n);
}

static void without_memory_it_says_so(void **state)
{
    (void)state;
    struct sample sample[SAMPLES_MOST];
    const int n = make_samples(sample);
    for (int i = 0; i < n; i += 3) {
        int rc = E_NOMEM;
        for (long k = 1; rc; k++) {
            struct err why = {0};
            struct image io = {0};
            mem_fail_at(k);
            rc = image_decode_luma(sample[i].name, sample[i].file.p, sample[i].file.n, &io, NULL, &why);
            mem_fail_at(0);
            if (rc && rc != E_NOMEM) print_error("%s: allocation %ld: %s\n", sample[i].name, k, why.text);
            assert_true(rc == E_OK || rc == E_NOMEM);
            image_clear(&io);
            assert_true(k < 20);
        }
    }
    free_samples(sample, n);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_kind_gives_its_picture_back),
        cmocka_unit_test(jpeg_luma_and_clipping_are_those_of_the_library),
        cmocka_unit_test(rows_are_those_of_the_whole_picture),
        cmocka_unit_test(colour_is_reduced_to_the_size_asked),
        cmocka_unit_test(a_raw_is_developed_at_half_size_as_stored),
        cmocka_unit_test(the_preview_of_a_raw_is_taken_when_it_is_half_as_wide),
        cmocka_unit_test(exif_facts_are_read_in_both_byte_orders),
        cmocka_unit_test(absent_or_nonsense_exif_is_not_told),
        cmocka_unit_test(a_file_cut_short_is_refused_wherever_it_is_cut),
        cmocka_unit_test(what_is_no_picture_is_refused),
        cmocka_unit_test(a_header_that_tells_too_large_a_size_is_refused_at_once),
        cmocka_unit_test(damaged_bytes_never_crash),
        cmocka_unit_test(without_memory_it_says_so),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
