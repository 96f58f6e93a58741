#include "image/decode.h"

#include <string.h>

#include "base/mem.h"
#include "image/decode_part.h"
#include "image/exif.h"

int fail_damaged(const struct source *src, const char *what, struct err *why)
{
    return fail(why, E_INPUT, "%s: %s; the file is damaged or cut short, fetch it again", src->name, what);
}

int fail_memory(const struct source *src, struct err *why)
{
    return fail(why, E_NOMEM, "%s: not enough memory to decode; close other programs", src->name);
}

int check_size(const struct source *src, int64_t width, int64_t height, int64_t pixels_per_byte,
               struct err *why)
{
    if (width < 1 || height < 1) return fail_damaged(src, "the picture has no size", why);
    if (width > IMAGE_SIDE_MOST || height > IMAGE_SIDE_MOST || width * height > IMAGE_PIXELS_MOST)
        return fail(why, E_INPUT,
                    "%s: %lld x %lld pixels, more than the %lld million that are read here; make it smaller",
                    src->name, (long long)width, (long long)height, IMAGE_PIXELS_MOST / 1000000);
    if (width * height / pixels_per_byte > (int64_t)src->count)
        return fail_damaged(src, "too few bytes for the size that it tells", why);
    return E_OK;
}

static int make_room(struct image *io, size_t pixels, struct err *why)
{
    if (io->room >= pixels) return E_OK;
    image_clear(io);
    io->luma = mem_new(pixels, 1, why);
    io->ends = io->luma ? mem_new(pixels, 1, why) : NULL;
    if (!io->ends) {
        image_clear(io);
        return E_NOMEM;
    }
    io->room = pixels;
    return E_OK;
}

bool sink_wants_luma(const struct sink *sink)
{
    return !sink->rgb;
}

int sink_begin(struct sink *sink, const char *name, int64_t width, int64_t height, struct err *why)
{
    struct source any = {name, NULL, SIZE_MAX / 2};
    int rc = check_size(&any, width, height, 1, why);
    if (rc) return rc;
    const size_t pixels = (size_t)(width * height);
    sink->width = (int32_t)width;
    sink->height = (int32_t)height;
    if (sink->rows) {
        mem_free(sink->buffer);
        sink->buffer = mem_new((size_t)width, 2, why);
        return sink->buffer ? sink->rows->begin(sink->rows->arg, (int32_t)width, (int32_t)height, why)
                            : E_NOMEM;
    }
    if (sink->luma) {
        if ((rc = make_room(sink->luma, pixels, why))) return rc;
        sink->luma->width_px = (int32_t)width;
        sink->luma->height_px = (int32_t)height;
        return E_OK;
    }
    image_rgb_clear(sink->rgb);
    sink->rgb->rgb = mem_new(pixels, 3, why);
    if (!sink->rgb->rgb) return E_NOMEM;
    sink->rgb->width_px = (int32_t)width;
    sink->rgb->height_px = (int32_t)height;
    return E_OK;
}

/* Where a row of luma and one of ends may be written: in the picture itself, or in the sink's buffer. */
static void row_room(struct sink *sink, int32_t y, uint8_t **luma, uint8_t **ends)
{
    const size_t width = (size_t)sink->width, at = (size_t)y * width;
    *luma = sink->luma ? sink->luma->luma + at : sink->buffer;
    *ends = sink->luma ? sink->luma->ends + at : sink->buffer + width;
}

void sink_luma_row(struct sink *sink, int32_t y, const uint8_t *luma, const uint8_t *ends, bool looked)
{
    if (!sink->luma) {
        sink->rows->row(sink->rows->arg, luma, ends, looked);
        return;
    }
    const size_t width = (size_t)sink->width, at = (size_t)y * width;
    uint8_t *to = sink->luma->luma + at, *to_ends = sink->luma->ends + at;
    if (to != luma) memcpy(to, luma, width);
    for (int32_t x = 0; x < sink->width; x++)
        to_ends[x] = ends ? ends[x] : 0;
}

/* ITU-R BT.601: 0.299, 0.587, 0.114, in 1/65536. */
static uint8_t luma_of(uint8_t r, uint8_t g, uint8_t b)
{
    return (uint8_t)((19595u * r + 38470u * g + 7471u * b + 32768u) >> 16);
}

void sink_rgb_row(struct sink *sink, int32_t y, const uint8_t *rgb, int step)
{
    if (!sink_wants_luma(sink)) {
        uint8_t *out = sink->rgb->rgb + (size_t)y * (size_t)sink->width * 3;
        for (int32_t x = 0; x < sink->width; x++, rgb += step, out += 3)
            memcpy(out, rgb, 3);
        return;
    }
    uint8_t *luma, *ends;
    row_room(sink, y, &luma, &ends);
    for (int32_t x = 0; x < sink->width; x++, rgb += step) {
        luma[x] = luma_of(rgb[0], rgb[1], rgb[2]);
        const bool high = rgb[0] == 255 || rgb[1] == 255 || rgb[2] == 255;
        const bool low = (rgb[0] | rgb[1] | rgb[2]) == 0;
        ends[x] = (uint8_t)((high ? IMAGE_END_HIGH : 0) | (low ? IMAGE_END_LOW : 0));
    }
    sink_luma_row(sink, y, luma, ends, true);
}

void sink_gray_row(struct sink *sink, int32_t y, const uint8_t *gray)
{
    if (!sink_wants_luma(sink)) {
        uint8_t *out = sink->rgb->rgb + (size_t)y * (size_t)sink->width * 3;
        for (int32_t x = 0; x < sink->width; x++, out += 3)
            memset(out, gray[x], 3);
        return;
    }
    uint8_t *luma, *ends;
    row_room(sink, y, &luma, &ends);
    for (int32_t x = 0; x < sink->width; x++)
        ends[x] = gray[x] == 255 ? IMAGE_END_HIGH : gray[x] == 0 ? IMAGE_END_LOW : 0;
    sink_luma_row(sink, y, gray, ends, true);
}

enum image_kind image_sniff(const uint8_t *bytes, size_t count)
{
    struct tiff_view view;
    if (count >= 4 && !memcmp(bytes, "\xFF\xD8\xFF", 3)) return IMAGE_JPEG;
    if (count >= 8 && !memcmp(bytes, "\x89PNG\r\n\x1A\n", 8)) return IMAGE_PNG;
    if (count >= 4 && (!memcmp(bytes, "II+\0", 4) || !memcmp(bytes, "MM\0+", 4))) return IMAGE_TIFF;
    if (tiff_view_open(bytes, count, &view)) return tiff_is_raw(&view) ? IMAGE_RAW : IMAGE_TIFF;
    /* Raw files that are no TIFF; their names from the makers' files (from memory). LibRaw has the last word.
     */
    if (count >= 16 &&
        (!memcmp(bytes + 4, "ftypcrx", 7) || !memcmp(bytes, "FUJIFILM", 8) ||
         !memcmp(bytes + 6, "HEAPCCDR", 8) || !memcmp(bytes, "FOVb", 4) || !memcmp(bytes, "\0MRM", 4)))
        return IMAGE_RAW;
    return IMAGE_UNKNOWN;
}

const char *image_kind_name(enum image_kind kind)
{
    static const char *const names[] = {"unknown", "JPEG", "PNG", "TIFF", "raw"};
    return names[kind];
}

static int fail_unknown(const char *name, size_t count, struct err *why)
{
    if (count == 0) return fail(why, E_INPUT, "%s: the file is empty; fetch it again", name);
    return fail(why, E_INPUT, "%s: not a picture that is known here; give JPEG, PNG, TIFF or raw files",
                name);
}

static void read_embedded(const uint8_t *exif, size_t count, struct image_facts *facts)
{
    struct tiff_view view;
    if (exif && tiff_view_open(exif, count, &view)) exif_read_facts(&view, facts);
}

/* Kind and Exif; size only where it costs nothing more. */
static int read_header(const struct source *src, struct image_facts *facts, struct err *why)
{
    *facts = (struct image_facts){.kind = image_sniff(src->bytes, src->count), .captured_wall_us = INT64_MIN};
    const uint8_t *exif = NULL;
    size_t exif_count = 0;
    int rc = E_OK;
    switch (facts->kind) {
    case IMAGE_JPEG:
        rc = jpeg_read_header_only(src, &facts->width_px, &facts->height_px, &exif, &exif_count, why);
        break;
    case IMAGE_PNG:
        rc = png_read_header_only(src, &facts->width_px, &facts->height_px, &exif, &exif_count, why);
        break;
    case IMAGE_RAW:
        facts->reduced = true;
        exif = src->bytes;
        exif_count = src->count;
        break;
    case IMAGE_TIFF:
        exif = src->bytes;
        exif_count = src->count;
        break;
    default:
        return fail_unknown(src->name, src->count, why);
    }
    if (rc) return rc;
    struct tiff_view view;
    if (exif == src->bytes && tiff_view_open(exif, exif_count, &view) && !tiff_is_whole(&view))
        return fail_damaged(src, "its pixels reach beyond its end", why);
    read_embedded(exif, exif_count, facts);
    return E_OK;
}

int image_read_facts(const char *name, const uint8_t *bytes, size_t count, struct image_facts *out,
                     struct err *why)
{
    const struct source src = {name, bytes, count};
    struct image_facts facts;
    int rc = read_header(&src, &facts, why);
    if (!rc && facts.kind == IMAGE_TIFF)
        rc = tiff_read_header_only(&src, &facts.width_px, &facts.height_px, why);
    if (!rc && facts.kind == IMAGE_RAW) rc = raw_read_header_only(&src, &facts, why);
    if (!rc) *out = facts;
    return rc;
}

static int decode(const struct source *src, struct sink *sink, struct image_facts *facts, struct err *why)
{
    int rc = read_header(src, facts, why);
    if (rc) return rc;
    switch (facts->kind) {
    case IMAGE_JPEG:
        return decode_jpeg(src, sink, why);
    case IMAGE_PNG:
        return decode_png(src, sink, why);
    case IMAGE_TIFF:
        return decode_tiff(src, sink, why);
    default:
        return decode_raw(src, sink, facts, why);
    }
}

int image_decode_luma(const char *name, const uint8_t *bytes, size_t count, struct image *io,
                      struct image_facts *facts, struct err *why)
{
    const struct source src = {name, bytes, count};
    struct sink sink = {.luma = io};
    struct image_facts found;
    int rc = decode(&src, &sink, &found, why);
    if (rc) {
        io->width_px = io->height_px = 0;
        return rc;
    }
    found.width_px = io->width_px;
    found.height_px = io->height_px;
    if (facts) *facts = found;
    return E_OK;
}

int image_decode_rows(const char *name, const uint8_t *bytes, size_t count, const struct image_rows *to,
                      struct image_facts *facts, struct err *why)
{
    const struct source src = {name, bytes, count};
    struct sink sink = {.rows = to};
    struct image_facts found;
    int rc = decode(&src, &sink, &found, why);
    mem_free(sink.buffer);
    if (rc) return rc;
    found.width_px = sink.width;
    found.height_px = sink.height;
    if (facts) *facts = found;
    return E_OK;
}

void image_clear(struct image *io)
{
    mem_free(io->luma);
    mem_free(io->ends);
    *io = (struct image){0};
}

/* Mean of the source pixels that each target pixel covers, whole pixels only: the borders are rounded to
 * them. */
static int reduce(struct image_rgb *io, int32_t most_px, struct err *why)
{
    const int32_t longer = io->width_px > io->height_px ? io->width_px : io->height_px;
    if (most_px <= 0 || longer <= most_px) return E_OK;
    int32_t w = (int32_t)((int64_t)io->width_px * most_px / longer);
    int32_t h = (int32_t)((int64_t)io->height_px * most_px / longer);
    w = w > 0 ? w : 1;
    h = h > 0 ? h : 1;
    uint8_t *small = mem_new((size_t)w * (size_t)h, 3, why);
    if (!small) return E_NOMEM;
    for (int32_t y = 0; y < h; y++) {
        const int64_t y0 = (int64_t)y * io->height_px / h, y1 = (int64_t)(y + 1) * io->height_px / h;
        for (int32_t x = 0; x < w; x++) {
            const int64_t x0 = (int64_t)x * io->width_px / w, x1 = (int64_t)(x + 1) * io->width_px / w;
            uint64_t sum[3] = {0};
            for (int64_t v = y0; v < y1; v++)
                for (int64_t u = x0; u < x1; u++)
                    for (int c = 0; c < 3; c++)
                        sum[c] += io->rgb[(v * io->width_px + u) * 3 + c];
            const uint64_t n = (uint64_t)((y1 - y0) * (x1 - x0));
            for (int c = 0; c < 3; c++)
                small[((size_t)y * (size_t)w + (size_t)x) * 3 + (size_t)c] = (uint8_t)((sum[c] + n / 2) / n);
        }
    }
    mem_free(io->rgb);
    *io = (struct image_rgb){w, h, small};
    return E_OK;
}

int image_decode_rgb(const char *name, const uint8_t *bytes, size_t count, int32_t most_px,
                     struct image_rgb *out, struct err *why)
{
    const struct source src = {name, bytes, count};
    struct image_rgb made = {0};
    struct sink sink = {.rgb = &made, .enough_px = most_px};
    struct image_facts facts;
    int rc = decode(&src, &sink, &facts, why);
    if (!rc) rc = reduce(&made, most_px, why);
    if (rc) {
        image_rgb_clear(&made);
        return rc;
    }
    *out = made;
    return E_OK;
}

void image_rgb_clear(struct image_rgb *io)
{
    mem_free(io->rgb);
    *io = (struct image_rgb){0};
}
