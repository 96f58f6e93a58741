/* decode_raw.c - through LibRaw: the embedded preview when it is large enough, else developed at half size
 * with the camera's white balance, no automatic brightness (frames of a stack stay comparable), sRGB curve.
 */
#include "image/decode_part.h"

#include <string.h>
#include <time.h>

#include <libraw/libraw.h>

#include "base/mem.h"
#include "base/units.h"
#include "image/exif.h"

#define PIXELS_PER_BYTE_MOST 512 /* as for JPEG, which some raw formats hold */

/* The type in LibRaw's data_callback. */
#if LIBRAW_COMPILE_CHECK_VERSION_NOTLESS(0, 21)
typedef INT64 offset_in_file;
#else
typedef int offset_in_file;
#endif

struct raw_job {
    const struct source *src;
    libraw_data_t *raw;
    bool damaged;
};

static void note_damage(void *job, const char *file, const offset_in_file offset)
{
    (void)file;
    (void)offset;
    ((struct raw_job *)job)->damaged = true;
}

static void note_no_memory(void *job, const char *file, const char *where)
{
    (void)job;
    (void)file;
    (void)where; /* the call itself fails, too */
}

static int open_raw(struct raw_job *job, struct err *why)
{
    job->raw = libraw_init(0);
    if (!job->raw) return fail_memory(job->src, why);
    libraw_set_dataerror_handler(job->raw, note_damage, job);
    libraw_set_memerror_handler(job->raw, note_no_memory, job);
    /* LibRaw only reads from the buffer. */
    int rc = libraw_open_buffer(job->raw, (void *)(uintptr_t)job->src->bytes, job->src->count);
    if (rc == LIBRAW_FILE_UNSUPPORTED)
        return fail(why, E_INPUT, "%s: not a picture that is known here; give JPEG, PNG, TIFF or raw files",
                    job->src->name);
    if (rc) return fail_damaged(job->src, libraw_strerror(rc), why);
    return check_size(job->src, job->raw->sizes.width, job->raw->sizes.height, PIXELS_PER_BYTE_MOST, why);
}

static bool unpack_preview(struct raw_job *job, struct source *preview, int32_t *width, int32_t *height)
{
    libraw_data_t *raw = job->raw;
    const uint8_t *exif;
    size_t exif_count;
    /* The format is known only once it is unpacked. */
    if (libraw_unpack_thumb(raw) || raw->thumbnail.tformat != LIBRAW_THUMBNAIL_JPEG ||
        raw->thumbnail.tlength < 4)
        return false;
    *preview = (struct source){job->src->name, (const uint8_t *)raw->thumbnail.thumb, raw->thumbnail.tlength};
    return !jpeg_read_header_only(preview, width, height, &exif, &exif_count, NULL);
}

/* True with `preview` set when there is a JPEG in the raw of at least half its width. LibRaw 0.20 writes
 * beyond its own memory when it unpacks a damaged preview that is no JPEG, so it is asked only where the file
 * is no TIFF. */
static bool get_preview(struct raw_job *job, struct source *preview, int32_t *width, int32_t *height)
{
    struct tiff_view view;
    const bool found = tiff_view_open(job->src->bytes, job->src->count, &view)
                           ? find_preview(job->src, preview, width, height)
                           : unpack_preview(job, preview, width, height);
    return found && *width * 2 >= job->raw->sizes.width;
}

static void set_development(libraw_data_t *raw)
{
    raw->params.half_size = 1;
    raw->params.use_camera_wb = 1;
    raw->params.no_auto_bright = 1;
    raw->params.user_flip = 0;
    raw->params.output_color = 1; /* sRGB */
    raw->params.output_bps = 8;
    raw->params.gamm[0] = 1 / 2.4; /* IEC 61966-2-1 */
    raw->params.gamm[1] = 12.92;
}

static int develop(struct raw_job *job, struct sink *sink, struct err *why)
{
    set_development(job->raw);
    int rc = libraw_unpack(job->raw);
    if (!rc) rc = libraw_dcraw_process(job->raw);
    if (rc || job->damaged) return fail_damaged(job->src, rc ? libraw_strerror(rc) : "damaged raw data", why);
    libraw_processed_image_t *made = libraw_dcraw_make_mem_image(job->raw, &rc);
    if (!made) return fail_damaged(job->src, libraw_strerror(rc), why);
    if (made->bits != 8 || (made->colors != 1 && made->colors != 3)) {
        libraw_dcraw_clear_mem(made);
        return fail(why, E_INPUT, "%s: a raw with %d colours, which is not read here; export it as TIFF",
                    job->src->name, made->colors);
    }
    rc = sink_begin(sink, job->src->name, made->width, made->height, why);
    for (int32_t y = 0; !rc && y < made->height; y++) {
        const uint8_t *row = made->data + (size_t)y * made->width * made->colors;
        if (made->colors == 1)
            sink_gray_row(sink, y, row);
        else
            sink_rgb_row(sink, y, row, 3);
    }
    libraw_dcraw_clear_mem(made);
    return rc;
}

/* LibRaw gives the camera's local time as if it were this machine's; taken back here. */
static int64_t wall_us(time_t stamp)
{
    struct tm t;
    if (stamp <= 0 || !localtime_r(&stamp, &t)) return INT64_MIN;
    return (int64_t)timegm(&t) * US_PER_S;
}

static void complete(const libraw_data_t *raw, struct image_facts *facts)
{
    if (facts->captured_wall_us == INT64_MIN) facts->captured_wall_us = wall_us(raw->other.timestamp);
    if (!facts->exposure_us && raw->other.shutter > 0 && raw->other.shutter < 1e6f)
        facts->exposure_us = us_from_s((double)raw->other.shutter);
    if (facts->f_number <= 0 && raw->other.aperture > 0) facts->f_number = (double)raw->other.aperture;
    if (facts->iso <= 0 && raw->other.iso_speed > 0) facts->iso = (double)raw->other.iso_speed;
}

/* Half the size, but for raws without a mosaic, which LibRaw does not halve. */
static int size_developed(struct raw_job *job, struct image_facts *facts, struct err *why)
{
    set_development(job->raw);
    const int rc = libraw_adjust_sizes_info_only(job->raw);
    if (rc) return fail_damaged(job->src, libraw_strerror(rc), why);
    facts->width_px = job->raw->sizes.iwidth;
    facts->height_px = job->raw->sizes.iheight;
    return E_OK;
}

int decode_raw(const struct source *src, struct sink *sink, struct image_facts *facts, struct err *why)
{
    struct raw_job job = {.src = src};
    struct source preview;
    int32_t width, height;
    int rc = open_raw(&job, why);
    if (!rc)
        rc = get_preview(&job, &preview, &width, &height) ? decode_jpeg(&preview, sink, why)
                                                          : develop(&job, sink, why);
    if (!rc && facts) complete(job.raw, facts);
    if (job.raw) libraw_close(job.raw);
    return rc;
}

int raw_read_header_only(const struct source *src, struct image_facts *facts, struct err *why)
{
    struct raw_job job = {.src = src};
    struct source preview;
    int rc = open_raw(&job, why);
    if (!rc) {
        if (!get_preview(&job, &preview, &facts->width_px, &facts->height_px))
            rc = size_developed(&job, facts, why);
        if (!rc) complete(job.raw, facts);
    }
    if (job.raw) libraw_close(job.raw);
    return rc;
}
