/* preview.c - the JPEG that a raw file carries for viewing, found by its TIFF directories (TIFF 6.0, TIFF/EP,
 * Adobe DNG 1.4): a single strip of JPEG, the two entries of old-style JPEG, or an entry that holds the file
 * itself. A preview that lies elsewhere, in a maker's own notes, is not looked for: the raw is developed
 * then. */
#include "image/decode_part.h"

#include <string.h>

#include "image/exif.h"

enum tag {
    TAG_JPEG_INSIDE = 0x002E, /* of one family of raw files (from memory) */
    TAG_COMPRESSION = 259,
    TAG_STRIP_OFFSETS = 273,
    TAG_STRIP_BYTES = 279,
    TAG_JPEG_AT = 513,
    TAG_JPEG_BYTES = 514
};
enum { COMPRESSION_OLD_JPEG = 6, COMPRESSION_JPEG = 7 };

struct search {
    const char *name;
    struct source *best;
    int32_t *width, *height;
    bool found;
};

/* Baseline, extended or progressive, 8 bit: the sensor's own data may be lossless JPEG. ITU-T T.81 table B.1.
 */
static bool is_for_viewing(const uint8_t *p, size_t count)
{
    const uint8_t *end = p + count;
    if (count < 4 || p[0] != 0xFF || p[1] != 0xD8) return false;
    for (p += 2; end - p >= 5 && p[0] == 0xFF;) {
        if (p[1] >= 0xC0 && p[1] <= 0xC2) return p[4] == 8;
        if (p[1] == 0xDA || p[1] == 0xC3) return false;
        if (p[1] == 0xFF) {
            p++;
            continue;
        }
        const size_t length = (size_t)p[2] << 8 | p[3];
        if (length < 2 || length > (size_t)(end - p) - 2) return false;
        p += 2 + length;
    }
    return false;
}

static void look_at(struct search *s, const uint8_t *bytes, size_t count)
{
    const struct source here = {s->name, bytes, count};
    const uint8_t *exif;
    size_t exif_count;
    int32_t width, height;
    if (!is_for_viewing(bytes, count) ||
        jpeg_read_header_only(&here, &width, &height, &exif, &exif_count, NULL) ||
        (s->found && width <= *s->width))
        return;
    *s->best = here;
    *s->width = width;
    *s->height = height;
    s->found = true;
}

static void look_within(struct search *s, const struct tiff_view *v, uint32_t at, uint32_t count)
{
    if (at <= v->count && count <= v->count - at) look_at(s, v->bytes + at, count);
}

static bool see(const struct tiff_view *v, uint32_t directory, void *arg)
{
    uint32_t at, count, more, compression = 0;
    const uint8_t *bytes;
    size_t inside;
    if (tiff_get_integer(v, directory, TAG_JPEG_AT, 0, &at) &&
        tiff_get_integer(v, directory, TAG_JPEG_BYTES, 0, &count))
        look_within(arg, v, at, count);
    tiff_get_integer(v, directory, TAG_COMPRESSION, 0, &compression);
    if ((compression == COMPRESSION_OLD_JPEG || compression == COMPRESSION_JPEG) &&
        tiff_get_integer(v, directory, TAG_STRIP_OFFSETS, 0, &at) &&
        tiff_get_integer(v, directory, TAG_STRIP_BYTES, 0, &count) &&
        !tiff_get_integer(v, directory, TAG_STRIP_BYTES, 1, &more))
        look_within(arg, v, at, count);
    if (tiff_get_bytes(v, directory, TAG_JPEG_INSIDE, &bytes, &inside)) look_at(arg, bytes, inside);
    return false;
}

bool find_preview(const struct source *src, struct source *preview, int32_t *width, int32_t *height)
{
    struct tiff_view view;
    struct search s = {src->name, preview, width, height, false};
    if (tiff_view_open(src->bytes, src->count, &view)) tiff_any_directory(&view, see, &s);
    return s.found;
}
