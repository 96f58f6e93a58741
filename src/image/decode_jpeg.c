/* decode_jpeg.c - through libjpeg. For luma the decoder's own planes are taken before colour conversion: Y is
 * the luma, and a pixel is clipped when Y plus the largest of the three chroma terms of ITU-T T.871 reaches
 * 255. */
#include "image/decode_part.h"

#include <setjmp.h>
#include <stdio.h>
#include <string.h>

#include <jerror.h>
#include <jpeglib.h>

#include "base/mem.h"
#include "base/fast.h"

/* One bit for the DC term of every 8x8 block is the least that a scan can spend. */
#define PIXELS_PER_BYTE_MOST 512
#define SCANS_MOST           200 /* of a progressive file; writers use about ten */
#define PLANES               3
#define BLOCK                96 /* pixels looked at together for clipping; a multiple of every sampling factor */
#define ROWS_MOST            32 /* of one strip: 8 x the largest vertical sampling factor */
#define LARGE_PX             4096 /* of the longer side: from here on not every strip is looked at for clipping, */
#define LOOK_ROWS            48 /* but one in so many rows */

struct trouble {
    struct jpeg_error_mgr base;
    jmp_buf back;
    char text[JMSG_LENGTH_MAX];
};

struct jpeg_job {
    struct jpeg_decompress_struct dinfo;
    struct trouble trouble;
    struct jpeg_progress_mgr progress;
    uint8_t *strip; /* rows on their way */
};

static void give_up(j_common_ptr c)
{
    struct trouble *t = (struct trouble *)c->err;
    c->err->format_message(c, t->text);
    longjmp(t->back, 1);
}

/* libjpeg would go on after a warning and fill the rest with gray. */
static void warn_is_error(j_common_ptr c, int level)
{
    if (level < 0) give_up(c);
}

static void count_scans(j_common_ptr c)
{
    if (((j_decompress_ptr)c)->input_scan_number > SCANS_MOST) ERREXIT(c, JERR_BAD_PROGRESSION);
}

static int open_jpeg(const struct source *src, struct jpeg_job *job, struct err *why)
{
    j_decompress_ptr d = &job->dinfo;
    jpeg_create_decompress(d);
    job->progress.progress_monitor = count_scans;
    d->progress = &job->progress;
    jpeg_mem_src(d, src->bytes, src->count);
    jpeg_read_header(d, TRUE);
    if (d->num_components != 1 && d->num_components != 3)
        return fail(why, E_INPUT, "%s: a JPEG with %d colour channels; export it as RGB", src->name,
                    d->num_components);
    return check_size(src, d->image_width, d->image_height, PIXELS_PER_BYTE_MOST, why);
}

/* YCbCr with both chroma planes at the same whole fraction of the luma plane. */
static bool has_plain_planes(const struct jpeg_decompress_struct *d)
{
    if (d->jpeg_color_space != JCS_YCbCr) return false;
    const jpeg_component_info *c = d->comp_info;
    return c[1].h_samp_factor == 1 && c[1].v_samp_factor == 1 && c[2].h_samp_factor == 1 &&
           c[2].v_samp_factor == 1 && c[0].h_samp_factor == d->max_h_samp_factor &&
           c[0].v_samp_factor == d->max_v_samp_factor && c[0].h_samp_factor <= 4 && c[0].v_samp_factor <= 4;
}

/* The luma from which on a pixel with this chroma has a channel at 255. The factors are those of ITU-T T.871
 * in 1/65536, rounded as libjpeg rounds them. */
static inline uint8_t clips_from(int cb, int cr)
{
    cb -= 128;
    cr -= 128;
    int r = (91881 * cr + 32768) >> 16;
    int b = (116130 * cb + 32768) >> 16;
    int g = (-22554 * cb - 46802 * cr + 32768) >> 16;
    int up = r > b ? r : b;
    up = g > up ? g : up;
    return (uint8_t)(up < 0 ? 255 : 255 - up);
}

static inline void clips_row(uint8_t *out, int32_t width, int factor, const uint8_t *cb, const uint8_t *cr)
{
    if (factor == 1) {
        for (int32_t x = 0; x < width; x++)
            out[x] = clips_from(cb[x], cr[x]);
    } else if (factor == 2) {
        for (int32_t x = 0; x < width / 2; x++) {
            uint8_t at = clips_from(cb[x], cr[x]);
            out[2 * x] = at;
            out[2 * x + 1] = at;
        }
        if (width & 1) out[width - 1] = clips_from(cb[width / 2], cr[width / 2]);
    } else {
        for (int32_t x = 0; x < width; x++)
            out[x] = clips_from(cb[x / factor], cr[x / factor]);
    }
}

static inline void ends_block(uint8_t *restrict ends, const uint8_t *restrict luma,
                              const uint8_t *restrict clips, int32_t width)
{
    for (int32_t x = 0; x < width; x++) {
        uint8_t high = luma[x] >= clips[x] ? IMAGE_END_HIGH : 0;
        uint8_t low = (uint8_t)(luma[x] | (clips[x] ^ 255)) == 0 ? IMAGE_END_LOW : 0;
        ends[x] = high | low;
    }
}

struct span {
    uint8_t low, high;
};

static inline struct span span_of(const uint8_t *restrict values, int32_t count)
{
    struct span s = {255, 0};
    for (int32_t i = 0; i < count; i++) {
        s.high = values[i] > s.high ? values[i] : s.high;
        s.low = values[i] < s.low ? values[i] : s.low;
    }
    return s;
}

/* False when no pixel of the block can be clipped: the brightest with the chroma that is farthest from gray
 * stays below 255 in each channel (ITU-T T.871; one for rounding), and none is black. */
static inline bool may_clip(const uint8_t *luma, int32_t width, const uint8_t *cb, const uint8_t *cr,
                            int32_t chroma_width)
{
    const struct span y = span_of(luma, width), b = span_of(cb, chroma_width), r = span_of(cr, chroma_width);
    const int red = 1436 * (r.high - 128), blue = 1815 * (b.high - 128),
              green = 353 * (128 - b.low) + 732 * (128 - r.low); /* in 1/1024, rounded up */
    int up = red > blue ? red : blue;
    up = green > up ? green : up;
    return y.low == 0 || (y.high + 1) * 1024 + up >= 255 * 1024;
}

/* One row of luma with its row of chroma, `h` pixels to a sample. */
FAST static bool ends_row(uint8_t *ends, const uint8_t *luma, int32_t width, const uint8_t *cb,
                          const uint8_t *cr, int h)
{
    uint8_t clips[BLOCK];
    bool any = false;
    for (int32_t x = 0; x < width; x += BLOCK) {
        const int32_t n = width - x < BLOCK ? width - x : BLOCK, at = x / h;
        if (!may_clip(luma + x, n, cb + at, cr + at, (n + h - 1) / h)) {
            memset(ends + x, 0, (size_t)n);
            continue;
        }
        clips_row(clips, n, h, cb + at, cr + at);
        ends_block(ends + x, luma + x, clips, n);
        any = true;
    }
    return any;
}

/* The rows of a strip: `v` pixels of luma to one of chroma downwards, h across. */
static void deliver_strip(struct sink *sink, JSAMPARRAY planes[PLANES], int32_t top, int rows, int v, int h,
                          bool looked, uint8_t *ends)
{
    for (int i = 0; i < rows; i++) {
        const uint8_t *luma = planes[0][i];
        const bool any = looked && ends_row(ends, luma, sink->width, planes[1][i / v], planes[2][i / v], h);
        sink_luma_row(sink, top + i, luma, any ? ends : NULL, looked);
    }
}

static void read_planes(struct jpeg_job *job, struct sink *sink)
{
    j_decompress_ptr d = &job->dinfo;
    d->raw_data_out = TRUE;
    d->do_fancy_upsampling = FALSE;
    jpeg_start_decompress(d);
    const int v = d->max_v_samp_factor, h = d->max_h_samp_factor, high = v * DCTSIZE;
    const size_t wide = (size_t)d->comp_info[0].width_in_blocks * DCTSIZE + 4 * DCTSIZE;
    /* v*8 rows of luma, 8 of each chroma, one of ends */
    job->strip = mem_new(((size_t)v + 2) * DCTSIZE + 1, wide, NULL);
    if (!job->strip) ERREXIT1(d, JERR_OUT_OF_MEMORY, 0);
    JSAMPROW rows[PLANES][ROWS_MOST];
    JSAMPARRAY planes[PLANES] = {rows[0], rows[1], rows[2]};
    for (int i = 0; i < high; i++)
        rows[0][i] = job->strip + (size_t)i * wide;
    for (int i = 0; i < DCTSIZE; i++) {
        rows[1][i] = job->strip + (size_t)(high + i) * wide;
        rows[2][i] = job->strip + (size_t)(high + DCTSIZE + i) * wide;
    }
    const bool large = sink->width >= LARGE_PX || sink->height >= LARGE_PX;
    const int32_t every = sink->rows && large ? LOOK_ROWS / high : 1;
    for (int32_t strip = 0; d->output_scanline < d->output_height; strip++) {
        const int32_t top = (int32_t)d->output_scanline, left = sink->height - top;
        const bool looked = strip % every == 0;
        d->comp_info[1].component_needed = d->comp_info[2].component_needed = looked;
        jpeg_read_raw_data(d, planes, (JDIMENSION)high);
        deliver_strip(sink, planes, top, left < high ? left : high, v, h, looked,
                      job->strip + (size_t)(high + 2 * DCTSIZE) * wide);
    }
    jpeg_finish_decompress(d);
}

static void read_rows(struct jpeg_job *job, struct sink *sink)
{
    j_decompress_ptr d = &job->dinfo;
    jpeg_start_decompress(d);
    const int step = d->output_components;
    job->strip = mem_new(d->output_width, (size_t)step, NULL);
    if (!job->strip) ERREXIT1(d, JERR_OUT_OF_MEMORY, 0);
    JSAMPROW row[1] = {job->strip};
    while (d->output_scanline < d->output_height) {
        const int32_t y = (int32_t)d->output_scanline;
        jpeg_read_scanlines(d, row, 1);
        if (step == 1)
            sink_gray_row(sink, y, job->strip);
        else
            sink_rgb_row(sink, y, job->strip, step);
    }
    jpeg_finish_decompress(d);
}

/* The decoder can reduce by whole eighths: the smallest that is still enough. */
static void choose_scale(j_decompress_ptr d, int32_t enough_px)
{
    JDIMENSION longer = d->image_width > d->image_height ? d->image_width : d->image_height;
    d->scale_num = d->scale_denom = 8;
    if (enough_px <= 0) return;
    for (unsigned eighths = 1; eighths < 8; eighths *= 2)
        if ((uint64_t)longer * eighths / 8 >= (uint64_t)enough_px) {
            d->scale_num = eighths;
            return;
        }
}

static int run_jpeg(const struct source *src, struct jpeg_job *job, struct sink *sink, struct err *why)
{
    j_decompress_ptr d = &job->dinfo;
    int rc = open_jpeg(src, job, why);
    if (rc) return rc;
    const bool planes = sink_wants_luma(sink) && has_plain_planes(d);
    if (d->num_components == 1)
        d->out_color_space = JCS_GRAYSCALE;
    else if (!planes)
        d->out_color_space = JCS_RGB;
    choose_scale(d, sink_wants_luma(sink) ? 0 : sink->enough_px);
    jpeg_calc_output_dimensions(d);
    if ((rc = sink_begin(sink, src->name, d->output_width, d->output_height, why))) return rc;
    if (planes)
        read_planes(job, sink);
    else
        read_rows(job, sink);
    return E_OK;
}

int decode_jpeg(const struct source *src, struct sink *sink, struct err *why)
{
    struct jpeg_job *job = mem_new(1, sizeof *job, why);
    if (!job) return E_NOMEM;
    int rc;
    job->dinfo.err = jpeg_std_error(&job->trouble.base);
    job->trouble.base.error_exit = give_up;
    job->trouble.base.emit_message = warn_is_error;
    if (setjmp(job->trouble.back))
        rc = job->trouble.base.msg_code == JERR_OUT_OF_MEMORY ? fail_memory(src, why)
                                                              : fail_damaged(src, job->trouble.text, why);
    else
        rc = run_jpeg(src, job, sink, why);
    jpeg_destroy_decompress(&job->dinfo);
    mem_free(job->strip);
    mem_free(job);
    return rc;
}

static bool is_frame_header(uint8_t marker)
{
    return marker >= 0xC0 && marker <= 0xCF && marker != 0xC4 && marker != 0xC8 && marker != 0xCC;
}

/* Markers: ITU-T T.81 table B.1. */
int jpeg_read_header_only(const struct source *src, int32_t *width, int32_t *height, const uint8_t **exif,
                          size_t *exif_count, struct err *why)
{
    const uint8_t *p = src->bytes + 2, *end = src->bytes + src->count;
    *exif = NULL;
    while (end - p >= 4) {
        if (p[0] != 0xFF) return fail_damaged(src, "no marker where one should be", why);
        if (p[1] == 0xFF) {
            p++;
            continue;
        }
        const uint8_t marker = p[1];
        const size_t length = (size_t)p[2] << 8 | p[3];
        const uint8_t *body = p + 4;
        if (length < 2 || length > (size_t)(end - p) - 2 || marker == 0xDA || marker == 0xD9) break;
        if (marker == 0xE1 && !*exif && length >= 16 && !memcmp(body, "Exif\0", 6)) {
            *exif = body + 6;
            *exif_count = length - 8;
        }
        if (is_frame_header(marker) && length >= 8) {
            *height = body[1] << 8 | body[2];
            *width = body[3] << 8 | body[4];
            return check_size(src, *width, *height, PIXELS_PER_BYTE_MOST, why);
        }
        p += 2 + length;
    }
    return fail_damaged(src, "the JPEG ends before its size is told", why);
}
