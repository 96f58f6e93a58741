#include "sim/source.h"

#include <png.h>
#include <setjmp.h>
#include <stdio.h>
#include <jpeglib.h>
#include <stdlib.h>
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"

#define FILE_MOST   ((size_t)256 << 20)
#define PIXELS_MOST ((int64_t)64 << 20)

static int make_room(struct source *p, const char *path, struct err *why)
{
    if (p->width <= 0 || p->height <= 0 || (int64_t)p->width * p->height > PIXELS_MOST)
        return fail(why, E_INPUT, "%s: %d x %d pixels are too many for a scene; scale it down", path,
                    p->width, p->height);
    p->samples = mem_new((size_t)p->width * (size_t)p->height, (size_t)p->channels * sizeof *p->samples, why);
    return p->samples ? E_OK : E_NOMEM;
}

/* --- JPEG --- */

struct jpeg_catcher {
    struct jpeg_error_mgr base;
    jmp_buf back;
    char text[JMSG_LENGTH_MAX];
};

static void jpeg_caught(j_common_ptr c)
{
    struct jpeg_catcher *e = (struct jpeg_catcher *)c->err;
    e->base.format_message(c, e->text);
    longjmp(e->back, 1);
}

/* A warning means that data were missing or damaged: no scene. */
static void jpeg_warned(j_common_ptr c, int level)
{
    if (level < 0) jpeg_caught(c);
}

static int read_jpeg(struct source *p, const char *path, const uint8_t *bytes, size_t count, struct err *why)
{
    struct jpeg_decompress_struct d;
    struct jpeg_catcher e;
    uint8_t *volatile line = NULL;
    d.err = jpeg_std_error(&e.base);
    e.base.error_exit = jpeg_caught;
    e.base.emit_message = jpeg_warned;
    if (setjmp(e.back)) {
        jpeg_destroy_decompress(&d);
        mem_free(line);
        return fail(why, E_INPUT, "%s: damaged JPEG (%s); give a whole picture", path, e.text);
    }
    jpeg_create_decompress(&d);
    jpeg_mem_src(&d, bytes, count);
    jpeg_read_header(&d, TRUE);
    d.out_color_space = JCS_RGB;
    jpeg_start_decompress(&d);
    p->width = (int32_t)d.output_width;
    p->height = (int32_t)d.output_height;
    int rc = make_room(p, path, why);
    size_t n = 3 * (size_t)p->width;
    if (!rc) line = mem_new(n, 1, why);
    if (!rc && !line) rc = E_NOMEM;
    for (uint16_t *to = p->samples; !rc && d.output_scanline < d.output_height; to += n) {
        JSAMPROW row = line;
        jpeg_read_scanlines(&d, &row, 1);
        for (size_t i = 0; i < n; i++)
            to[i] = line[i];
    }
    if (!rc) jpeg_finish_decompress(&d);
    jpeg_destroy_decompress(&d);
    mem_free(line);
    return rc;
}

/* --- PNG --- */

struct png_bytes {
    const uint8_t *bytes;
    size_t left;
    char text[128];
};

static void png_caught(png_structp png, png_const_charp text)
{
    struct png_bytes *s = png_get_error_ptr(png);
    snprintf(s->text, sizeof s->text, "%s", text);
    png_longjmp(png, 1);
}

static void png_quiet(png_structp png, png_const_charp text)
{
    (void)png;
    (void)text;
}

static void png_feed(png_structp png, png_bytep to, size_t n)
{
    struct png_bytes *s = png_get_io_ptr(png);
    if (n > s->left) png_error(png, "the file ends too early");
    memcpy(to, s->bytes, n);
    s->bytes += n;
    s->left -= n;
}

static void ask_for(png_structp png, png_infop info, int channels)
{
    png_byte type = png_get_color_type(png, info), depth = png_get_bit_depth(png, info);
    if (type == PNG_COLOR_TYPE_PALETTE || (type == PNG_COLOR_TYPE_GRAY && depth < 8)) png_set_expand(png);
    if (channels == 3) {
        if (depth == 16) png_set_strip_16(png);
        if (!(type & PNG_COLOR_MASK_COLOR)) png_set_gray_to_rgb(png);
    }
    png_set_strip_alpha(png);
    png_set_interlace_handling(png);
    png_read_update_info(png, info);
}

static int read_png(struct source *p, const char *path, const uint8_t *bytes, size_t count, struct err *why)
{
    struct png_bytes source = {.bytes = bytes, .left = count};
    png_structp png = png_create_read_struct(PNG_LIBPNG_VER_STRING, &source, png_caught, png_quiet);
    png_infop info = png ? png_create_info_struct(png) : NULL;
    uint8_t *volatile raw = NULL;
    png_bytep *volatile rows = NULL;
    volatile int rc = E_OK;
    if (!info) {
        png_destroy_read_struct(&png, NULL, NULL);
        return fail(why, E_NOMEM, "%s: no memory to read it; close other programs", path);
    }
    if (setjmp(png_jmpbuf(png))) {
        rc = fail(why, E_INPUT, "%s: damaged PNG (%s); give a whole picture", path, source.text);
        goto out;
    }
    png_set_read_fn(png, &source, png_feed);
    png_read_info(png, info);
    if (p->channels == 1 && png_get_color_type(png, info) != PNG_COLOR_TYPE_GRAY) {
        rc = fail(why, E_INPUT, "%s: a depth map has to be a gray PNG of 8 or 16 bit; convert it", path);
        goto out;
    }
    ask_for(png, info, p->channels);
    p->width = (int32_t)png_get_image_width(png, info);
    p->height = (int32_t)png_get_image_height(png, info);
    if ((rc = make_room(p, path, why))) goto out;
    bool wide = png_get_bit_depth(png, info) == 16;
    p->most = wide ? 65535 : 255;
    size_t stride = png_get_rowbytes(png, info), n = (size_t)p->width * (size_t)p->channels;
    raw = mem_new((size_t)p->height, stride, why);
    rows = mem_new((size_t)p->height, sizeof *rows, why);
    if (!raw || !rows) {
        rc = E_NOMEM;
        goto out;
    }
    for (int32_t y = 0; y < p->height; y++)
        rows[y] = raw + (size_t)y * stride;
    png_read_image(png, rows);
    png_read_end(png, NULL);
    for (int32_t y = 0; y < p->height; y++) {
        for (size_t i = 0; i < n; i++)
            p->samples[(size_t)y * n + i] =
                (uint16_t)(wide ? rows[y][2 * i] << 8 | rows[y][2 * i + 1] : rows[y][i]);
    }
out:
    png_destroy_read_struct(&png, &info, NULL);
    mem_free(raw);
    mem_free(rows);
    return rc;
}

/* --- either --- */

static int read_any(struct source *p, const char *path, struct err *why)
{
    static const uint8_t png_mark[4] = {0x89, 'P', 'N', 'G'}, jpeg_mark[2] = {0xff, 0xd8};
    uint8_t *bytes = NULL;
    size_t count = 0;
    if (!fs_exists(path))
        return fail(why, E_INPUT, "%s: no such file; check the scene's picture and depth_map", path);
    int rc = fs_read(path, FILE_MOST, &bytes, &count, why);
    if (rc) return rc;
    p->most = 255;
    if (count > 8 && memcmp(bytes, png_mark, 4) == 0)
        rc = read_png(p, path, bytes, count, why);
    else if (p->channels == 3 && count > 4 && memcmp(bytes, jpeg_mark, 2) == 0)
        rc = read_jpeg(p, path, bytes, count, why);
    else
        rc = fail(why, E_INPUT, "%s: not %s; give such a file", path,
                  p->channels == 3 ? "a JPEG or PNG" : "a gray PNG");
    mem_free(bytes);
    if (rc) source_clear(p);
    return rc;
}

int source_read_colour(struct source *p, const char *path, struct err *why)
{
    *p = (struct source){.channels = 3};
    return read_any(p, path, why);
}

int source_read_numbers(struct source *p, const char *path, struct err *why)
{
    *p = (struct source){.channels = 1};
    return read_any(p, path, why);
}

void source_clear(struct source *p)
{
    mem_free(p->samples);
    memset(p, 0, sizeof *p);
}
