/* decode.h - the bytes of a picture file become pixels and facts. The kind is told by the content, never by
 * the name: JPEG, PNG (8 and 16 bit), TIFF, and raw files through LibRaw.
 *
 *  1. Everything is "as stored": the orientation tag is told in the facts and never applied.
 *  2. A picture is whole or refused: what a decoder would only warn about (a file cut short, a damaged scan)
 * is E_INPUT with the name and what to do. No half gray picture comes out.
 *  3. Sizes are checked against IMAGE_PIXELS_MOST before anything is multiplied or allocated.
 *  4. Raw: the largest embedded JPEG preview is decoded when it is at least half as wide as the raw;
 * otherwise the raw is developed at half size. Width and height are then those of what was decoded
 * (facts.reduced says so).
 *
 * Functions are safe to call from several threads at once. */
#ifndef STADDLE_IMAGE_DECODE_H
#define STADDLE_IMAGE_DECODE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

#define IMAGE_PIXELS_MOST 400000000LL
#define IMAGE_SIDE_MOST   65500

enum image_kind { IMAGE_UNKNOWN, IMAGE_JPEG, IMAGE_PNG, IMAGE_TIFF, IMAGE_RAW };

/* What a file says about itself (Exif: CIPA DC-008). */
struct image_facts {
    enum image_kind kind;
    int32_t width_px, height_px; /* as stored; of the picture that image_decode_luma gives */
    bool reduced;                /* a raw measured from its preview or at half size */
    int orientation;             /* 1..8 (TIFF 6.0 tag 274); 0 not told */
    int64_t
        captured_wall_us; /* microseconds since 1970, with the fraction of the second; INT64_MIN not told */
    bool captured_zone_known; /* false: the camera's local time, taken as if it were UTC */
    int64_t exposure_us;      /* 0 not told */
    double f_number, iso;     /* 0 not told */
};

enum image_end { IMAGE_END_HIGH = 1, IMAGE_END_LOW = 2 };

/* Luma (Rec. 601, 8 bit) and, per pixel, whether the picture is clipped there: HIGH when any of R, G, B is at
 * 255, LOW when all are at 0. Both planes are width_px * height_px bytes, row by row without gaps. */
struct image {
    int32_t width_px, height_px;
    uint8_t *luma;
    uint8_t *ends; /* enum image_end bits */
    size_t room;   /* bytes that each plane can hold */
};

/* 8-bit R, G, B, row by row without gaps. */
struct image_rgb {
    int32_t width_px, height_px;
    uint8_t *rgb;
};

/* Tells the kind from the first bytes (and, for TIFF-like files, the directories). */
enum image_kind image_sniff(const uint8_t *bytes, size_t count);
const char *image_kind_name(enum image_kind); /* "JPEG" */

/* Reads only what stands in the headers. `name` is for the messages. E_INPUT when it is no picture. */
int image_read_facts(const char *name, const uint8_t *bytes, size_t count, struct image_facts *out,
                     struct err *why);

/* Decodes into `io` (zeroed before its first use), whose planes are kept and used again when large enough. On
 * failure the content of the planes is undefined and width_px is 0. `facts` may be NULL. */
int image_decode_luma(const char *name, const uint8_t *bytes, size_t count, struct image *io,
                      struct image_facts *facts, struct err *why);
void image_clear(struct image *);

/* The same row by row, so that a large picture is never in memory as a whole. A decoder that begins anew
 * calls `begin` again. Of a large JPEG (4096 px and more) every fourth strip of blocks is looked at for
 * clipping: the colour of the others is never computed. */
struct image_rows {
    int (*begin)(void *arg, int32_t width_px, int32_t height_px, struct err *why);
    /* From top to bottom; ends NULL: no pixel of the row is clipped, or (looked false) nobody looked. */
    void (*row)(void *arg, const uint8_t *luma, const uint8_t *ends, bool looked);
    void *arg;
};
int image_decode_rows(const char *name, const uint8_t *bytes, size_t count, const struct image_rows *to,
                      struct image_facts *facts, struct err *why);

/* Colour, for pictures that people look at. `most_px` > 0: area-averaged down so that the longer side is at
 * most that. */
int image_decode_rgb(const char *name, const uint8_t *bytes, size_t count, int32_t most_px,
                     struct image_rgb *out, struct err *why);
void image_rgb_clear(struct image_rgb *);

#endif
