/* decode_png.c - through libpng, 8 and 16 bit, gray, colour or palette; transparency is dropped. */
#include "image/decode_part.h"

#include <setjmp.h>
#include <string.h>

#include <png.h>

#include "base/mem.h"

#define PIXELS_PER_BYTE_MOST (8 * 1032) /* deflate expands at most 1032 fold (from memory); 1 bit a pixel */

struct png_job {
    const struct source *src;
    size_t at;
    bool no_memory;
    char text[160];
    uint8_t *rows; /* one row, or the whole picture when it is interlaced */
    png_bytep *row_pointers;
};

static void give_up(png_structp png, png_const_charp text)
{
    struct png_job *job = png_get_error_ptr(png);
    strncpy(job->text, text, sizeof job->text - 1);
    png_longjmp(png, 1);
}

static void ignore_warning(png_structp png, png_const_charp text)
{
    (void)png;
    (void)text;
}

static void take_bytes(png_structp png, png_bytep out, size_t count)
{
    struct png_job *job = png_get_io_ptr(png);
    if (count > job->src->count - job->at) png_error(png, "the file ends too early");
    memcpy(out, job->src->bytes + job->at, count);
    job->at += count;
}

static void set_up(png_structp png, png_infop info)
{
    const png_byte colour = png_get_color_type(png, info);
    png_set_scale_16(png);
    if (colour == PNG_COLOR_TYPE_PALETTE) png_set_palette_to_rgb(png);
    if (colour == PNG_COLOR_TYPE_GRAY) png_set_expand_gray_1_2_4_to_8(png);
    png_set_strip_alpha(png);
}

static void deliver(struct sink *sink, int32_t y, const uint8_t *row, int channels)
{
    if (channels == 1)
        sink_gray_row(sink, y, row);
    else
        sink_rgb_row(sink, y, row, channels);
}

static void read_rows(png_structp png, png_infop info, struct png_job *job, struct sink *sink)
{
    const int passes = png_set_interlace_handling(png);
    png_read_update_info(png, info);
    const size_t stride = png_get_rowbytes(png, info);
    const int channels = png_get_channels(png, info);
    const int32_t height = (int32_t)png_get_image_height(png, info);
    job->rows = mem_new(passes > 1 ? (size_t)height : 1, stride, NULL);
    job->no_memory = !job->rows;
    if (job->no_memory) png_error(png, "");
    if (passes == 1) {
        for (int32_t y = 0; y < height; y++) {
            png_read_row(png, job->rows, NULL);
            deliver(sink, y, job->rows, channels);
        }
    } else {
        job->row_pointers = mem_new((size_t)height, sizeof *job->row_pointers, NULL);
        job->no_memory = !job->row_pointers;
        if (job->no_memory) png_error(png, "");
        for (int32_t y = 0; y < height; y++)
            job->row_pointers[y] = job->rows + (size_t)y * stride;
        png_read_image(png, job->row_pointers);
        for (int32_t y = 0; y < height; y++)
            deliver(sink, y, job->row_pointers[y], channels);
    }
    png_read_end(png, NULL);
}

static int run_png(png_structp png, png_infop info, struct png_job *job, struct sink *sink, struct err *why)
{
    if (setjmp(png_jmpbuf(png)))
        return job->no_memory ? fail_memory(job->src, why) : fail_damaged(job->src, job->text, why);
    png_set_user_limits(png, IMAGE_SIDE_MOST, IMAGE_SIDE_MOST);
    png_set_read_fn(png, job, take_bytes);
    png_read_info(png, info);
    const int64_t width = png_get_image_width(png, info), height = png_get_image_height(png, info);
    int rc = check_size(job->src, width, height, PIXELS_PER_BYTE_MOST, why);
    if (!rc) rc = sink_begin(sink, job->src->name, width, height, why);
    if (rc) return rc;
    set_up(png, info);
    read_rows(png, info, job, sink);
    return E_OK;
}

int decode_png(const struct source *src, struct sink *sink, struct err *why)
{
    struct png_job *job = mem_new(1, sizeof *job, why);
    if (!job) return E_NOMEM;
    job->src = src;
    png_structp png = png_create_read_struct(PNG_LIBPNG_VER_STRING, job, give_up, ignore_warning);
    png_infop info = png ? png_create_info_struct(png) : NULL;
    int rc = info ? run_png(png, info, job, sink, why) : fail_memory(src, why);
    png_destroy_read_struct(&png, &info, NULL);
    mem_free(job->row_pointers);
    mem_free(job->rows);
    mem_free(job);
    return rc;
}

static uint32_t get32(const uint8_t *p)
{
    return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3];
}

/* Chunks: W3C PNG specification, third edition; IHDR comes first, eXIf may come anywhere. */
int png_read_header_only(const struct source *src, int32_t *width, int32_t *height, const uint8_t **exif,
                         size_t *exif_count, struct err *why)
{
    *exif = NULL;
    if (src->count < 33 || memcmp(src->bytes + 12, "IHDR", 4) != 0)
        return fail_damaged(src, "the PNG ends before its size is told", why);
    const int64_t w = get32(src->bytes + 16), h = get32(src->bytes + 20);
    int rc = check_size(src, w, h, PIXELS_PER_BYTE_MOST, why);
    if (rc) return rc;
    *width = (int32_t)w;
    *height = (int32_t)h;
    for (size_t at = 8; src->count - at >= 12;) {
        const size_t length = get32(src->bytes + at);
        if (length > src->count - at - 12) break;
        if (!memcmp(src->bytes + at + 4, "eXIf", 4)) {
            *exif = src->bytes + at + 8;
            *exif_count = length;
            break;
        }
        at += 12 + length;
    }
    return E_OK;
}
