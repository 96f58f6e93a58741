#include "tests/support/test.h"

#include "tests/support/picture.h"

#include <jpeglib.h>
#include <png.h>
#include <tiffio.h>

/* ---- directories of TIFF, by hand ---- */

struct writer {
    uint8_t *p;
    size_t n;
    bool big_endian;
};

static void grow(struct writer *w, size_t n)
{
    w->p = realloc(w->p, w->n + n);
    memset(w->p + w->n, 0, n);
    w->n += n;
}

static void set(struct writer *w, size_t at, uint32_t v, int size)
{
    for (int i = 0; i < size; i++)
        w->p[at + (size_t)(w->big_endian ? size - 1 - i : i)] = (uint8_t)(v >> (8 * i));
}

static void put(struct writer *w, uint32_t v, int size)
{
    grow(w, (size_t)size);
    set(w, w->n - (size_t)size, v, size);
}

enum { BYTE = 1, ASCII = 2, SHORT = 3, LONG = 4, RATIONAL = 5, SRATIONAL = 10 };

struct tag {
    uint16_t tag, type;
    uint32_t count;
    uint32_t value[18]; /* rationals take two */
    const void *data;   /* ASCII */
};

static size_t size_of(const struct tag *t)
{
    static const uint8_t size[] = {0, 1, 1, 2, 4, 8, 1, 1, 2, 4, 8};
    return size[t->type] * (size_t)t->count;
}

static void put_values(struct writer *w, const struct tag *t)
{
    const int each = t->type == SHORT ? 2 : t->type == BYTE ? 1 : 4;
    if (t->type == ASCII) {
        grow(w, t->count);
        memcpy(w->p + w->n - t->count, t->data, t->count);
        return;
    }
    const uint32_t n = t->type == RATIONAL || t->type == SRATIONAL ? 2 * t->count : t->count;
    for (uint32_t i = 0; i < n; i++)
        put(w, t->value[i], each);
}

/* Writes a directory at the end; returns where. Tags have to come in order. */
static uint32_t put_directory(struct writer *w, const struct tag *tags, int count)
{
    if (w->n & 1) put(w, 0, 1);
    const size_t start = w->n;
    put(w, (uint32_t)count, 2);
    grow(w, (size_t)count * 12 + 4);
    for (int i = 0; i < count; i++) {
        const size_t at = start + 2 + (size_t)i * 12, size = size_of(&tags[i]);
        assert_true(i == 0 || tags[i].tag > tags[i - 1].tag);
        set(w, at, tags[i].tag, 2);
        set(w, at + 2, tags[i].type, 2);
        set(w, at + 4, tags[i].count, 4);
        const size_t end = w->n;
        put_values(w, &tags[i]);
        if (size <= 4) {
            memcpy(w->p + at + 8, w->p + end, size);
            w->n = end;
        } else {
            set(w, at + 8, (uint32_t)end, 4);
            if (w->n & 1) put(w, 0, 1);
        }
    }
    return (uint32_t)start;
}

static struct writer start_tiff(bool big_endian)
{
    struct writer w = {NULL, 0, big_endian};
    put(&w, big_endian ? 0x4D4D : 0x4949, 2);
    put(&w, 42, 2);
    put(&w, 8, 4);
    return w;
}

static struct tag text_tag(uint16_t tag, const char *text)
{
    return (struct tag){tag, ASCII, (uint32_t)strlen(text) + 1, {0}, text};
}

static uint32_t put_exif(struct writer *w, const struct exif_says *says)
{
    struct tag tags[8];
    int n = 0;
    if (says->exposure[1])
        tags[n++] = (struct tag){0x829A, RATIONAL, 1, {says->exposure[0], says->exposure[1]}, NULL};
    if (says->f_number[1])
        tags[n++] = (struct tag){0x829D, RATIONAL, 1, {says->f_number[0], says->f_number[1]}, NULL};
    if (says->iso) tags[n++] = (struct tag){0x8827, SHORT, 1, {says->iso}, NULL};
    if (says->date) tags[n++] = text_tag(0x9003, says->date);
    if (says->offset) tags[n++] = text_tag(0x9011, says->offset);
    if (says->subsec) tags[n++] = text_tag(0x9291, says->subsec);
    return put_directory(w, tags, n);
}

struct bytes exif_make(const struct exif_says *says)
{
    struct writer w = start_tiff(says->big_endian);
    const uint32_t exif = put_exif(&w, says);
    const struct tag tags[] = {{274, SHORT, 1, {(uint32_t)says->orientation}, NULL},
                               {0x8769, LONG, 1, {exif}, NULL}};
    const bool oriented = says->orientation != 0;
    set(&w, 4, put_directory(&w, tags + !oriented, 1 + oriented), 4);
    return (struct bytes){w.p, w.n};
}

/* XYZ (D65) to linear sRGB, IEC 61966-2-1, in 1e-7. */
static const int32_t colour_matrix[9] = {32404542, -15371385, -4985314, -9692660, 18760108,
                                         415560,   556434,    -2040259, 10572252};

/* StripOffsets, the ninth entry of both directories, becomes the end of what is written. */
static void set_data_offset(struct writer *w, uint32_t directory)
{
    set(w, directory + 2 + 8 * 12 + 8, (uint32_t)w->n, 4);
}

/* The samples come last, as cameras write them. */
static void put_pixels(struct writer *w, uint32_t directory, const uint16_t *cfa, int count)
{
    set_data_offset(w, directory);
    for (int i = 0; i < count; i++)
        put(w, cfa[i], 2);
}

struct bytes dng_make(const uint16_t *cfa, int width, int height, const struct exif_says *says,
                      struct bytes preview, int preview_width, int preview_height)
{
    struct writer w = start_tiff(false);
    const uint32_t exif = put_exif(&w, says), wide = (uint32_t)width, high = (uint32_t)height;
    const struct tag version[2] = {{50706, BYTE, 4, {1, 4, 0, 0}, NULL},
                                   {50707, BYTE, 4, {1, 1, 0, 0}, NULL}};
    const struct tag model = text_tag(50708, "Bench camera");
    struct tag matrix = {50721, SRATIONAL, 9, {0}, NULL};
    for (int i = 0; i < 9; i++) {
        matrix.value[2 * i] = (uint32_t)colour_matrix[i];
        matrix.value[2 * i + 1] = 10000000;
    }
    const struct tag neutral = {50728, RATIONAL, 3, {1, 1, 1, 1, 1, 1}, NULL};
    const struct tag light = {50778, SHORT, 1, {21}, NULL};
    const struct tag orientation = {
        274, SHORT, 1, {(uint32_t)(says->orientation ? says->orientation : 1)}, NULL};
    struct tag raw[] = {
        {254, LONG, 1, {0}, NULL},
        {256, LONG, 1, {wide}, NULL},
        {257, LONG, 1, {high}, NULL},
        {258, SHORT, 1, {16}, NULL},
        {259, SHORT, 1, {1}, NULL},
        {262, SHORT, 1, {32803}, NULL},
        text_tag(271, "Bench"),
        text_tag(272, "Bench camera"),
        {273, LONG, 1, {0}, NULL},
        orientation,
        {277, SHORT, 1, {1}, NULL},
        {278, LONG, 1, {high}, NULL},
        {279, LONG, 1, {2 * wide * high}, NULL},
        {284, SHORT, 1, {1}, NULL},
        {33421, SHORT, 2, {2, 2}, NULL},
        {33422, BYTE, 4, {0, 1, 1, 2}, NULL},
        {0x8769, LONG, 1, {exif}, NULL},
        version[0],
        version[1],
        model,
        {50714, SHORT, 1, {0}, NULL},
        {50717, LONG, 1, {65535}, NULL},
        matrix,
        neutral,
        light,
    };
    const int raw_count = sizeof raw / sizeof *raw;
    const uint32_t raw_directory = put_directory(&w, raw, raw_count);
    if (!preview.p) {
        set(&w, 4, raw_directory, 4);
        put_pixels(&w, raw_directory, cfa, width * height);
        return (struct bytes){w.p, w.n};
    }
    const struct tag first[] = {
        {254, LONG, 1, {1}, NULL},
        {256, LONG, 1, {(uint32_t)preview_width}, NULL},
        {257, LONG, 1, {(uint32_t)preview_height}, NULL},
        {258, SHORT, 3, {8, 8, 8}, NULL},
        {259, SHORT, 1, {7}, NULL},
        {262, SHORT, 1, {6}, NULL},
        text_tag(271, "Bench"),
        text_tag(272, "Bench camera"),
        {273, LONG, 1, {0}, NULL},
        orientation,
        {277, SHORT, 1, {3}, NULL},
        {278, LONG, 1, {(uint32_t)preview_height}, NULL},
        {279, LONG, 1, {(uint32_t)preview.n}, NULL},
        {284, SHORT, 1, {1}, NULL},
        {330, LONG, 1, {raw_directory}, NULL},
        {0x8769, LONG, 1, {exif}, NULL},
        version[0],
        version[1],
        model,
        matrix,
        neutral,
        light,
    };
    const uint32_t first_directory = put_directory(&w, first, sizeof first / sizeof *first);
    set(&w, 4, first_directory, 4);
    set_data_offset(&w, first_directory);
    const size_t preview_at = w.n;
    grow(&w, preview.n);
    memcpy(w.p + preview_at, preview.p, preview.n);
    put_pixels(&w, raw_directory, cfa, width * height);
    return (struct bytes){w.p, w.n};
}

/* ---- by the libraries ---- */

static uint8_t gray_of(const uint8_t *rgb)
{
    return (uint8_t)lround(0.299 * rgb[0] + 0.587 * rgb[1] + 0.114 * rgb[2]);
}

struct bytes jpeg_make(const uint8_t *rgb, int width, int height, const struct jpeg_how *how)
{
    struct jpeg_compress_struct c;
    struct jpeg_error_mgr trouble;
    unsigned char *out = NULL;
    unsigned long n = 0;
    c.err = jpeg_std_error(&trouble);
    jpeg_create_compress(&c);
    jpeg_mem_dest(&c, &out, &n);
    c.image_width = (JDIMENSION)width;
    c.image_height = (JDIMENSION)height;
    c.input_components = how->gray ? 1 : 3;
    c.in_color_space = how->gray ? JCS_GRAYSCALE : JCS_RGB;
    jpeg_set_defaults(&c);
    jpeg_set_quality(&c, how->quality ? how->quality : 90, TRUE);
    if (how->progressive) jpeg_simple_progression(&c);
    if (!how->gray) {
        c.comp_info[0].h_samp_factor = how->h ? how->h : 2;
        c.comp_info[0].v_samp_factor = how->v ? how->v : 2;
    }
    jpeg_start_compress(&c, TRUE);
    if (how->exif.p) {
        uint8_t *marker = malloc(how->exif.n + 6);
        memcpy(marker, "Exif\0", 6);
        memcpy(marker + 6, how->exif.p, how->exif.n);
        jpeg_write_marker(&c, JPEG_APP0 + 1, marker, (unsigned)how->exif.n + 6);
        free(marker);
    }
    uint8_t *line = malloc((size_t)width * 3);
    for (int y = 0; y < height; y++) {
        for (int x = 0; x < width; x++) {
            const uint8_t *from = rgb + ((size_t)y * (size_t)width + (size_t)x) * 3;
            if (how->gray)
                line[x] = gray_of(from);
            else
                memcpy(line + 3 * x, from, 3);
        }
        JSAMPROW row[1] = {line};
        jpeg_write_scanlines(&c, row, 1);
    }
    free(line);
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    return (struct bytes){out, n};
}

static void png_put(png_structp png, png_bytep bytes, size_t count)
{
    struct bytes *out = png_get_io_ptr(png);
    out->p = realloc(out->p, out->n + count);
    memcpy(out->p + out->n, bytes, count);
    out->n += count;
}

/* Samples of one pixel, 8 or 16 bit big-endian: 257 v keeps the value when it is scaled back. */
static uint8_t *put_samples(uint8_t *to, const uint8_t *rgb, bool gray, bool alpha, int bits)
{
    uint8_t sample[4] = {rgb[0], rgb[1], rgb[2], 128};
    int n = 3;
    if (gray) {
        sample[0] = gray_of(rgb);
        n = 1;
    }
    if (alpha) sample[n++] = 128;
    for (int i = 0; i < n; i++) {
        *to++ = sample[i];
        if (bits == 16) *to++ = sample[i];
    }
    return to;
}

struct bytes png_make(const uint8_t *rgb, int width, int height, const struct png_how *how)
{
    struct bytes out = {NULL, 0};
    png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, NULL, NULL, NULL);
    png_infop info = png_create_info_struct(png);
    png_set_write_fn(png, &out, png_put, NULL);
    const int colour =
        (how->gray ? PNG_COLOR_TYPE_GRAY : PNG_COLOR_TYPE_RGB) | (how->alpha ? PNG_COLOR_MASK_ALPHA : 0);
    png_set_IHDR(png, info, (png_uint_32)width, (png_uint_32)height, how->bits, colour,
                 how->interlaced ? PNG_INTERLACE_ADAM7 : PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_DEFAULT,
                 PNG_FILTER_TYPE_DEFAULT);
    if (how->exif.p) png_set_eXIf_1(png, info, (png_uint_32)how->exif.n, how->exif.p);
    png_write_info(png, info);
    const size_t stride = png_get_rowbytes(png, info);
    uint8_t *all = malloc(stride * (size_t)height);
    png_bytep *rows = malloc((size_t)height * sizeof *rows);
    for (int y = 0; y < height; y++) {
        uint8_t *to = rows[y] = all + (size_t)y * stride;
        for (int x = 0; x < width; x++)
            to = put_samples(to, rgb + ((size_t)y * (size_t)width + (size_t)x) * 3, how->gray, how->alpha,
                             how->bits);
    }
    png_write_image(png, rows);
    png_write_end(png, info);
    png_destroy_write_struct(&png, &info);
    free(rows);
    free(all);
    return out;
}

struct bytes tiff_make(const uint8_t *rgb, int width, int height, const struct tiff_how *how)
{
    char path[256];
    snprintf(path, sizeof path, "%s/made.tif", test_folder());
    TIFF *tiff = TIFFOpen(path, how->big_endian ? "wb" : "wl");
    TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, width);
    TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, height);
    TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, how->bits);
    TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, how->gray ? 1 : 3);
    TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC, how->gray ? PHOTOMETRIC_MINISBLACK : PHOTOMETRIC_RGB);
    TIFFSetField(tiff, TIFFTAG_COMPRESSION, how->compression);
    TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
    TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, 7);
    if (how->orientation) TIFFSetField(tiff, TIFFTAG_ORIENTATION, how->orientation);
    uint8_t *line = malloc((size_t)width * 6);
    for (int y = 0; y < height; y++) {
        uint8_t *to = line;
        for (int x = 0; x < width; x++)
            to = put_samples(to, rgb + ((size_t)y * (size_t)width + (size_t)x) * 3, how->gray, false,
                             how->bits);
        TIFFWriteScanline(tiff, line, (uint32_t)y, 0);
    }
    free(line);
    TIFFClose(tiff);
    FILE *in = fopen(path, "rb");
    fseek(in, 0, SEEK_END);
    struct bytes out = {NULL, (size_t)ftell(in)};
    rewind(in);
    out.p = malloc(out.n);
    assert_int_equal(fread(out.p, 1, out.n, in), out.n);
    fclose(in);
    remove(path);
    return out;
}
