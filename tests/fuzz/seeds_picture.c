/* seeds_picture.c - picture files: every kind, by the reference libraries; raw files by hand (Adobe DNG 1.4).
 */
#include "tests/support/test.h"

#include <jpeglib.h>
#include <png.h>

#include "tests/fuzz/seeds.h"
#include "tests/support/picture.h"

#define WIDE     24
#define HIGH     17
#define RAW_HIGH 24 /* LibRaw takes nothing below 22 for a raw */

static uint8_t rgb[WIDE * HIGH * 3];

/* Frees it. */
static void put(const char *target, const char *name, struct bytes b)
{
    seed_write(target, name, b.p, b.n);
    free(b.p);
}

/* Keeps so many bytes, or leaves so many out at the end. */
static struct bytes cut(struct bytes b, size_t keep)
{
    if (keep < b.n) b.n = keep;
    return b;
}

static struct bytes cut_end(struct bytes b, size_t less)
{
    return cut(b, b.n - less);
}

static const struct exif_says plain = {.orientation = 6,
                                       .date = "2001:01:01 20:00:00",
                                       .subsec = "05",
                                       .offset = "+01:30",
                                       .exposure = {1, 4},
                                       .f_number = {28, 10},
                                       .iso = 100};

/* --- Exif --- */

/* The value of the first entry with that tag, wherever its directory lies: found by its bytes, little-endian.
 */
static struct bytes change(struct bytes b, uint16_t tag, int at, uint32_t value)
{
    for (size_t i = 10; i + 12 <= b.n; i += 2)
        if (b.p[i] == (tag & 0xff) && b.p[i + 1] == tag >> 8 && b.p[i + 3] == 0 && b.p[i + 2] < 14) {
            for (int k = 0; k < 4; k++)
                b.p[i + (size_t)(at + k)] = (uint8_t)(value >> 8 * k);
            return b;
        }
    fail_msg("no tag %d", tag);
    return b;
}
enum { COUNT = 4, VALUE = 8 };

static struct exif_says dated(const char *date, const char *subsec, const char *offset)
{
    struct exif_says e = plain;
    e.date = date;
    e.subsec = subsec;
    e.offset = offset;
    return e;
}

static void put_exif(const char *name, struct exif_says e)
{
    put("exif", name, exif_make(&e));
}

static void exif(void)
{
    struct exif_says e = plain;
    put_exif("whole", e);
    e.big_endian = true;
    put_exif("big-endian", e);
    put_exif("no-date", dated(NULL, NULL, NULL));
    put_exif("date-alone", dated("1999:12:31 23:59:60", NULL, NULL));
    put_exif("date-of-blanks", dated("    :  :     :  :  ", " ", "   :  "));
    put_exif("date-wrong", dated("2001:13:01 20:00:00", "x", "+1"));
    put_exif("date-short", dated("2001:01:01", "999999999", "-14:59"));
    put_exif("date-1899", dated("1899:01:01 00:00:00", "1", "+15:00"));
    put_exif("orientation-alone", (struct exif_says){.orientation = 8});
    put_exif("iso-saturated", (struct exif_says){.iso = 65535});
    put_exif("exposure-nothing-over", (struct exif_says){.exposure = {0, 1}, .f_number = {0, 5}});
    put_exif("exposure-huge", (struct exif_says){.exposure = {4294967295u, 1}, .f_number = {4294967295u, 1}});
    put_exif("exposure-tiny", (struct exif_says){.exposure = {1, 4294967295u}, .f_number = {1, 4294967295u}});
    put_exif("empty", (struct exif_says){0});
    put("exif", "count-huge", change(exif_make(&plain), 0x829A, COUNT, 0xffffffff));
    put("exif", "offset-outside", change(exif_make(&plain), 0x829A, VALUE, 0x7fffffff));
    put("exif", "directory-itself", change(exif_make(&plain), 0x8769, VALUE, 8));
    put("exif", "directory-outside", change(exif_make(&plain), 0x8769, VALUE, 0xfffffff0));
    put("exif", "orientation-nine", change(exif_make(&plain), 274, VALUE, 9));
    put("exif", "cut-in-a-directory", cut(exif_make(&plain), 60));
    put("exif", "cut-in-a-text", cut_end(exif_make(&plain), 9));
    put("exif", "header-alone", cut(exif_make(&plain), 8));
    /* APEX values in place of plain ones: 0x9201 ShutterSpeedValue, 0x9202 ApertureValue. */
    struct bytes apex = exif_make(&plain);
    for (size_t i = 0; i + 12 < apex.n; i++) {
        if (apex.p[i] == 0x9A && apex.p[i + 1] == 0x82) memcpy(apex.p + i, "\x01\x92\x0a", 3);
        if (apex.p[i] == 0x9D && apex.p[i + 1] == 0x82) memcpy(apex.p + i, "\x02\x92", 2);
    }
    put("exif", "apex", apex);
}

/* --- JPEG --- */

static void put_jpeg(const char *name, int width, int height, struct jpeg_how how)
{
    put("jpeg", name, jpeg_make(rgb, width, height, &how));
}

/* What jpeg_make does not make: four channels, restarts, arithmetic coding, RGB as it is, a comment. */
static void special_jpeg(const char *name, int what)
{
    struct jpeg_compress_struct c;
    struct jpeg_error_mgr trouble;
    unsigned char *out = NULL;
    unsigned long n = 0;
    const int channels = what == 'k' ? 4 : 3;
    c.err = jpeg_std_error(&trouble);
    jpeg_create_compress(&c);
    jpeg_mem_dest(&c, &out, &n);
    c.image_width = WIDE * 3 / 4;
    c.image_height = HIGH;
    c.input_components = channels;
    c.in_color_space = what == 'k' ? JCS_CMYK : JCS_RGB;
    jpeg_set_defaults(&c);
    if (what == 'g') jpeg_set_colorspace(&c, JCS_RGB);
    if (what == 'a') c.arith_code = TRUE;
    if (what == 'r') c.restart_in_rows = 1;
    if (what == 'o') c.optimize_coding = TRUE;
    jpeg_start_compress(&c, TRUE);
    if (what == 'c') jpeg_write_marker(&c, JPEG_COM, (const JOCTET *)"a comment", 9);
    for (int y = 0; y < HIGH; y++) {
        JSAMPROW row = rgb + y * WIDE * 3;
        jpeg_write_scanlines(&c, &row, 1);
    }
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    put("jpeg", name, (struct bytes){out, n});
}

static void jpeg(void)
{
    put_jpeg("420", WIDE, HIGH, (struct jpeg_how){0});
    put_jpeg("422", WIDE, HIGH, (struct jpeg_how){.h = 2, .v = 1});
    put_jpeg("440", WIDE, HIGH, (struct jpeg_how){.h = 1, .v = 2});
    put_jpeg("444", WIDE, HIGH, (struct jpeg_how){.h = 1, .v = 1});
    put_jpeg("411", WIDE, HIGH, (struct jpeg_how){.h = 4, .v = 1});
    put_jpeg("410", WIDE, HIGH, (struct jpeg_how){.h = 4, .v = 2});
    put_jpeg("3-1", WIDE, HIGH, (struct jpeg_how){.h = 3, .v = 1});
    put_jpeg("gray", WIDE, HIGH, (struct jpeg_how){.gray = true});
    put_jpeg("progressive", WIDE, HIGH, (struct jpeg_how){.progressive = true});
    put_jpeg("progressive-gray", WIDE, HIGH, (struct jpeg_how){.progressive = true, .gray = true});
    put_jpeg("one-pixel", 1, 1, (struct jpeg_how){0});
    put_jpeg("one-row", WIDE, 1, (struct jpeg_how){0});
    put_jpeg("one-column", 1, HIGH, (struct jpeg_how){0});
    put_jpeg("odd", 23, 15, (struct jpeg_how){0});
    put_jpeg("coarse", WIDE, HIGH, (struct jpeg_how){.quality = 5});
    put_jpeg("fine", WIDE, HIGH, (struct jpeg_how){.quality = 100});
    put_jpeg("exif", WIDE, HIGH, (struct jpeg_how){.exif = exif_make(&plain)});
    special_jpeg("four-channels", 'k');
    special_jpeg("rgb-inside", 'g');
    special_jpeg("arithmetic", 'a');
    special_jpeg("restarts", 'r');
    special_jpeg("own-tables", 'o');
    special_jpeg("comment", 'c');
    struct bytes b = jpeg_make(rgb, WIDE, HIGH, &(struct jpeg_how){0});
    seed_write("jpeg", "cut-in-the-scan", b.p, b.n - 40);
    seed_write("jpeg", "cut-in-the-header", b.p, 100);
    seed_write("jpeg", "no-end", b.p, b.n - 2);
    b.p[b.n / 2 + 60] ^= 0x5a;
    seed_write("jpeg", "damaged", b.p, b.n);
    free(b.p);
    seed_write("jpeg", "start-alone", "\xff\xd8\xff\xe0", 4);
    seed_write("jpeg", "filled", "\xff\xd8\xff\xff\xff\xfe\x00\x03x\x12", 10);
}

/* --- PNG --- */

static void put_png(const char *name, int width, int height, struct png_how how)
{
    put("png", name, png_make(rgb, width, height, &how));
}

static void add_bytes(png_structp png, png_bytep bytes, size_t count)
{
    struct bytes *out = png_get_io_ptr(png);
    out->p = realloc(out->p, out->n + count);
    memcpy(out->p + out->n, bytes, count);
    out->n += count;
}

/* Palette, or gray of 1, 2 or 4 bits. */
static void few_colours(const char *name, bool palette, int bits, bool transparent)
{
    static png_color colours[4] = {{0, 0, 0}, {255, 255, 255}, {200, 30, 30}, {20, 20, 200}};
    static png_byte alpha[2] = {0, 128};
    struct bytes out = {NULL, 0};
    uint8_t row[WIDE];
    png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, NULL, NULL);
    png_infop info = png_create_info_struct(png);
    png_set_write_fn(png, &out, add_bytes, NULL);
    png_set_IHDR(png, info, WIDE, HIGH, bits, palette ? PNG_COLOR_TYPE_PALETTE : PNG_COLOR_TYPE_GRAY,
                 PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_DEFAULT, PNG_FILTER_TYPE_DEFAULT);
    if (palette) png_set_PLTE(png, info, colours, bits == 1 ? 2 : 4);
    if (transparent) png_set_tRNS(png, info, alpha, 2, NULL);
    png_write_info(png, info);
    for (int y = 0; y < HIGH; y++) {
        for (int x = 0; x < WIDE; x++)
            row[x] = (uint8_t)(0x1b * (x + y) & (palette && bits == 8 ? 3 : 0xff));
        png_write_row(png, row);
    }
    png_write_end(png, info);
    png_destroy_write_struct(&png, &info);
    put("png", name, out);
}

static void png(void)
{
    const struct bytes e = exif_make(&plain);
    put_png("rgb", WIDE, HIGH, (struct png_how){.bits = 8});
    put_png("rgb-16", WIDE, HIGH, (struct png_how){.bits = 16});
    put_png("gray", WIDE, HIGH, (struct png_how){.bits = 8, .gray = true});
    put_png("gray-16", WIDE, HIGH, (struct png_how){.bits = 16, .gray = true});
    put_png("alpha", WIDE, HIGH, (struct png_how){.bits = 8, .alpha = true});
    put_png("alpha-16", WIDE, HIGH, (struct png_how){.bits = 16, .alpha = true});
    put_png("gray-alpha", WIDE, HIGH, (struct png_how){.bits = 8, .gray = true, .alpha = true});
    put_png("interlaced", WIDE, HIGH, (struct png_how){.bits = 8, .interlaced = true});
    put_png("interlaced-gray-16", WIDE, HIGH, (struct png_how){.bits = 16, .interlaced = true, .gray = true});
    put_png("interlaced-alpha", WIDE, HIGH, (struct png_how){.bits = 8, .interlaced = true, .alpha = true});
    put_png("exif", WIDE, HIGH, (struct png_how){.bits = 8, .exif = e});
    put_png("one-pixel", 1, 1, (struct png_how){.bits = 8});
    put_png("one-row", WIDE, 1, (struct png_how){.bits = 8});
    put_png("one-column", 1, HIGH, (struct png_how){.bits = 8, .interlaced = true});
    few_colours("palette-8", true, 8, false);
    few_colours("palette-2", true, 2, true);
    few_colours("palette-1", true, 1, false);
    few_colours("gray-1", false, 1, false);
    few_colours("gray-2", false, 2, false);
    few_colours("gray-4", false, 4, false);
    struct bytes b = png_make(rgb, WIDE, HIGH, &(struct png_how){.bits = 8});
    seed_write("png", "cut-in-the-data", b.p, b.n - 60);
    seed_write("png", "no-end", b.p, b.n - 12);
    seed_write("png", "cut-in-the-header", b.p, 30);
    b.p[16] = 0x7f;
    seed_write("png", "huge", b.p, b.n);
    b.p[16] = 0;
    b.p[b.n - 70] ^= 1;
    seed_write("png", "damaged", b.p, b.n);
    memset(b.p + 16, 0, 8);
    seed_write("png", "no-size", b.p, b.n);
    free(b.p);
    free(e.p);
}

/* --- TIFF --- */

static void put_tiff(const char *name, struct tiff_how how)
{
    put("tiff", name, tiff_make(rgb, WIDE, HIGH, &how));
}

static struct bytes flat_tiff(void)
{
    return tiff_make(rgb, WIDE, HIGH, &(struct tiff_how){.bits = 8, .compression = 1});
}

static void tiff(void)
{
    put_tiff("rgb", (struct tiff_how){.bits = 8, .compression = 1});
    put_tiff("rgb-16", (struct tiff_how){.bits = 16, .compression = 1});
    put_tiff("gray", (struct tiff_how){.bits = 8, .compression = 1, .gray = true});
    put_tiff("gray-16", (struct tiff_how){.bits = 16, .compression = 1, .gray = true});
    put_tiff("lzw", (struct tiff_how){.bits = 8, .compression = 5});
    put_tiff("lzw-16", (struct tiff_how){.bits = 16, .compression = 5});
    put_tiff("deflate", (struct tiff_how){.bits = 8, .compression = 8});
    put_tiff("deflate-gray", (struct tiff_how){.bits = 8, .compression = 8, .gray = true});
    put_tiff("packed", (struct tiff_how){.bits = 8, .compression = 32773});
    put_tiff("big-endian", (struct tiff_how){.bits = 8, .compression = 1, .big_endian = true});
    put_tiff("big-endian-16", (struct tiff_how){.bits = 16, .compression = 5, .big_endian = true});
    put_tiff("turned", (struct tiff_how){.bits = 8, .compression = 1, .orientation = 6});
    put_tiff("upside-down", (struct tiff_how){.bits = 8, .compression = 1, .orientation = 3});
    put("tiff", "wide-huge", change(flat_tiff(), 256, VALUE, 0x7fffffff));
    put("tiff", "larger-than-its-bytes", change(flat_tiff(), 256, VALUE, 9000));
    put("tiff", "no-height", change(flat_tiff(), 257, VALUE, 0));
    put("tiff", "bits-seven", change(flat_tiff(), 258, COUNT, 1));
    put("tiff", "compression-unknown", change(flat_tiff(), 259, VALUE, 34712));
    put("tiff", "photometric-unknown", change(flat_tiff(), 262, VALUE, 9999));
    put("tiff", "palette-without", change(flat_tiff(), 262, VALUE, 3));
    put("tiff", "strips-outside", change(flat_tiff(), 273, VALUE, 0x10000));
    put("tiff", "strips-many", change(flat_tiff(), 278, VALUE, 1));
    put("tiff", "samples-many", change(flat_tiff(), 277, VALUE, 200));
    put("tiff", "planes-apart", change(flat_tiff(), 284, VALUE, 2));
    put("tiff", "cut-in-the-directory", cut_end(flat_tiff(), 20));
    put("tiff", "header-alone", cut(flat_tiff(), 8));
    seed_write("tiff", "big-tiff", "II+\0\10\0\0\0\20\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0", 24);
}

/* --- raw --- */

static struct bytes raw_of(int width, int height, const struct exif_says *says, int preview_width)
{
    uint16_t cfa[WIDE * 2 * HIGH * 2];
    struct bytes preview = {NULL, 0};
    for (int i = 0; i < width * height; i++)
        cfa[i] = (uint16_t)(1000 + 97 * (i % width) + 31 * (i / width));
    if (preview_width) preview = jpeg_make(rgb, preview_width, HIGH, &(struct jpeg_how){0});
    const struct bytes all = dng_make(cfa, width, height, says, preview, preview_width, HIGH);
    free(preview.p);
    return all;
}

static struct bytes small_raw(void)
{
    return raw_of(WIDE, RAW_HIGH, &plain, 0);
}

static void raw(void)
{
    const struct exif_says none = {0};
    put("raw", "small", small_raw());
    put("raw", "wide", raw_of(48, 22, &plain, 0));
    put("raw", "no-exif", raw_of(WIDE, RAW_HIGH, &none, 0));
    put("raw", "preview-whole", raw_of(WIDE, RAW_HIGH, &plain, WIDE));
    put("raw", "preview-half", raw_of(40, 32, &plain, 20));
    put("raw", "preview-small", raw_of(48, 34, &plain, 12));
    put("raw", "odd", raw_of(23, 25, &plain, 0));
    put("raw", "tiny", raw_of(2, 2, &none, 0));
    put("raw", "linear", change(small_raw(), 262, VALUE, 34892));
    put("raw", "not-mosaic", change(small_raw(), 262, VALUE, 2));
    put("raw", "compressed-as-jpeg", change(small_raw(), 259, VALUE, 7));
    put("raw", "compressed-as-unknown", change(small_raw(), 259, VALUE, 34713));
    put("raw", "bits-twelve", change(small_raw(), 258, VALUE, 12));
    put("raw", "bits-eight", change(small_raw(), 258, VALUE, 8));
    put("raw", "wide-huge", change(small_raw(), 256, VALUE, 60000));
    put("raw", "larger-than-its-bytes", change(small_raw(), 257, VALUE, 1000));
    put("raw", "no-width", change(small_raw(), 256, VALUE, 0));
    put("raw", "data-outside", change(small_raw(), 273, VALUE, 0x100000));
    put("raw", "turned", change(small_raw(), 274, VALUE, 8));
    put("raw", "samples-four", change(small_raw(), 277, VALUE, 4));
    put("raw", "pattern-other", change(small_raw(), 33422, VALUE, 0x02010100));
    put("raw", "white-nothing", change(small_raw(), 50717, VALUE, 0));
    put("raw", "black-above-white", change(small_raw(), 50714, VALUE, 0xffff));
    struct bytes b = small_raw();
    seed_write("raw", "cut", b.p, b.n - 100);
    seed_write("raw", "cut-in-a-directory", b.p, 200);
    static const char begin[][20] = {"II\x52\x4f\x08",       "II\x55\0\x08",         "II*\0\x10\0\0\0CR\2",
                                     "FUJIFILMCCD-RAW ",     "\0MRM\0\0\1\0\0PRD",   "FOVb\0\0\2\0",
                                     "II\x1a\0\0\0HEAPCCDR", "\0\0\0\x18\146typcrx "};
    for (size_t i = 0; i < sizeof begin / sizeof *begin; i++) {
        char name[32];
        memset(b.p, 0, 16);
        memcpy(b.p, begin[i], 16);
        snprintf(name, sizeof name, "begins-like-%zu", i);
        seed_write("raw", name, b.p, 400);
    }
    free(b.p);
}

void seeds_of_pictures(void)
{
    seed_picture(rgb, WIDE, HIGH);
    exif();
    jpeg();
    png();
    tiff();
    raw();
}
