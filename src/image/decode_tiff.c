/* decode_tiff.c - through libtiff's converter to 8-bit RGBA, first page, rows in stored order. */
#include "image/decode_part.h"

#include <stdio.h>
#include <string.h>

#include <tiffio.h>

#include "base/mem.h"

/* Compressions reach far in TIFF; run-length codes spend at least two bytes on 128 bytes of pixels, deflate
 * less. */
#define PIXELS_PER_BYTE_MOST (8 * 1032)
#define ALLOCATION_MOST      ((tmsize_t)2000000000)

struct tiff_job {
    const struct source *src;
    uint64_t at;
    bool failed;
    char text[200];
};

static tmsize_t read_bytes(thandle_t handle, void *out, tmsize_t count)
{
    struct tiff_job *job = handle;
    if (count <= 0 || job->at >= job->src->count) return 0;
    size_t left = job->src->count - (size_t)job->at;
    size_t n = (size_t)count < left ? (size_t)count : left;
    memcpy(out, job->src->bytes + job->at, n);
    job->at += n;
    return (tmsize_t)n;
}

static tmsize_t write_bytes(thandle_t handle, void *bytes, tmsize_t count)
{
    (void)handle;
    (void)bytes;
    (void)count;
    return 0;
}

static toff_t seek(thandle_t handle, toff_t offset, int whence)
{
    struct tiff_job *job = handle;
    if (whence == SEEK_SET) job->at = offset;
    if (whence == SEEK_CUR) job->at += offset;
    if (whence == SEEK_END) job->at = job->src->count + offset;
    return job->at;
}

static int close_nothing(thandle_t handle)
{
    (void)handle;
    return 0;
}

static toff_t size_of(thandle_t handle)
{
    return ((struct tiff_job *)handle)->src->count;
}

static int keep_error(TIFF *tiff, void *user, const char *module, const char *format, va_list ap)
{
    (void)tiff;
    (void)module;
    struct tiff_job *job = user;
    if (!job->failed) vsnprintf(job->text, sizeof job->text, format, ap);
    job->failed = true;
    return 1;
}

static int ignore_warning(TIFF *tiff, void *user, const char *module, const char *format, va_list ap)
{
    (void)tiff;
    (void)user;
    (void)module;
    (void)format;
    (void)ap;
    return 1;
}

static TIFF *open_tiff(struct tiff_job *job)
{
    TIFFOpenOptions *options = TIFFOpenOptionsAlloc();
    if (!options) return NULL;
    TIFFOpenOptionsSetErrorHandlerExtR(options, keep_error, job);
    TIFFOpenOptionsSetWarningHandlerExtR(options, ignore_warning, NULL);
    TIFFOpenOptionsSetMaxSingleMemAlloc(options, ALLOCATION_MOST);
    /* "m": no memory mapping */
    TIFF *tiff = TIFFClientOpenExt(job->src->name, "rm", job, read_bytes, write_bytes, seek, close_nothing,
                                   size_of, NULL, NULL, options);
    TIFFOpenOptionsFree(options);
    return tiff;
}

/* An uncompressed or lightly compressed file cannot be far shorter than its pixels. */
static int read_size(struct tiff_job *job, TIFF *tiff, int64_t *width, int64_t *height, struct err *why)
{
    uint32_t w = 0, h = 0;
    TIFFGetField(tiff, TIFFTAG_IMAGEWIDTH, &w);
    TIFFGetField(tiff, TIFFTAG_IMAGELENGTH, &h);
    *width = w;
    *height = h;
    return check_size(job->src, w, h, PIXELS_PER_BYTE_MOST, why);
}

static void deliver(struct sink *sink, const uint32_t *raster, int32_t width, int32_t height, uint8_t *row)
{
    for (int32_t y = 0; y < height; y++) {
        const uint32_t *from = raster + (size_t)y * (size_t)width;
        for (int32_t x = 0; x < width; x++) {
            row[3 * x] = (uint8_t)TIFFGetR(from[x]);
            row[3 * x + 1] = (uint8_t)TIFFGetG(from[x]);
            row[3 * x + 2] = (uint8_t)TIFFGetB(from[x]);
        }
        sink_rgb_row(sink, y, row, 3);
    }
}

static int convert(struct tiff_job *job, TIFF *tiff, struct sink *sink, struct err *why)
{
    int64_t width, height;
    int rc = read_size(job, tiff, &width, &height, why);
    if (!rc) rc = sink_begin(sink, job->src->name, width, height, why);
    if (rc) return rc;
    TIFFRGBAImage rgba;
    char text[1024] = "";
    if (!TIFFRGBAImageBegin(&rgba, tiff, 1, text))
        return fail(why, E_INPUT,
                    "%s: a TIFF of a kind that is not read here (%.150s); export it as 8 or 16 bit RGB",
                    job->src->name, *text ? text : job->text);
    rgba.req_orientation = rgba.orientation; /* rows stay as stored */
    uint32_t *raster = mem_new((size_t)width * (size_t)height, sizeof *raster, why);
    uint8_t *row = raster ? mem_new((size_t)width, 3, why) : NULL;
    if (!row) {
        rc = E_NOMEM;
        goto out;
    }
    if (!TIFFRGBAImageGet(&rgba, raster, (uint32_t)width, (uint32_t)height) || job->failed) {
        rc = fail_damaged(job->src, *job->text ? job->text : "a strip cannot be decoded", why);
        goto out;
    }
    deliver(sink, raster, (int32_t)width, (int32_t)height, row);
out:
    mem_free(row);
    mem_free(raster);
    TIFFRGBAImageEnd(&rgba);
    return rc;
}

int decode_tiff(const struct source *src, struct sink *sink, struct err *why)
{
    struct tiff_job job = {.src = src};
    TIFF *tiff = open_tiff(&job);
    if (!tiff) return fail_damaged(src, *job.text ? job.text : "the TIFF has no directory", why);
    int rc = convert(&job, tiff, sink, why);
    TIFFClose(tiff);
    return rc;
}

int tiff_read_header_only(const struct source *src, int32_t *width, int32_t *height, struct err *why)
{
    struct tiff_job job = {.src = src};
    TIFF *tiff = open_tiff(&job);
    if (!tiff) return fail_damaged(src, *job.text ? job.text : "the TIFF has no directory", why);
    int64_t w, h;
    int rc = read_size(&job, tiff, &w, &h, why);
    TIFFClose(tiff);
    if (rc) return rc;
    *width = (int32_t)w;
    *height = (int32_t)h;
    return E_OK;
}
