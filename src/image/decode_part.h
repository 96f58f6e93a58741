/* decode_part.h - what the decoders of single kinds share; used only by decode*.c.
 *
 * A decoder announces the size to a sink and then delivers rows from top to bottom; the sink makes luma with
 * clipping or colour of them, or passes the luma on row by row. */
#ifndef STADDLE_IMAGE_DECODE_PART_H
#define STADDLE_IMAGE_DECODE_PART_H

#include "image/decode.h"

struct source {
    const char *name;
    const uint8_t *bytes;
    size_t count;
};

struct sink {
    struct image *luma; /* one of these three */
    struct image_rgb *rgb;
    const struct image_rows *rows;
    int32_t width, height; /* of what is delivered */
    uint8_t *buffer;       /* rows: a row of luma and one of ends */
    int32_t
        enough_px; /* colour: a decoder may deliver less, but no less than this on the longer side; 0: all */
};

bool sink_wants_luma(const struct sink *);
/* Checks the limits and makes room. */
int sink_begin(struct sink *, const char *name, int64_t width, int64_t height, struct err *why);
/* `ends` NULL: no pixel is clipped; looked false: nobody looked, and ends is NULL. */
void sink_luma_row(struct sink *, int32_t y, const uint8_t *luma, const uint8_t *ends, bool looked);
void sink_rgb_row(struct sink *, int32_t y, const uint8_t *rgb,
                  int step); /* `step` bytes from pixel to pixel */
void sink_gray_row(struct sink *, int32_t y, const uint8_t *gray);

/* E_INPUT unless width x height is between 1 x 1 and the limits, and not more than `pixels_per_byte` times
 * the file. */
int check_size(const struct source *, int64_t width, int64_t height, int64_t pixels_per_byte,
               struct err *why);

/* "NAME: WHAT; the file is damaged or cut short, fetch it again" */
int fail_damaged(const struct source *, const char *what, struct err *why);

int fail_memory(const struct source *, struct err *why);

int decode_jpeg(const struct source *, struct sink *, struct err *why);
int decode_png(const struct source *, struct sink *, struct err *why);
int decode_tiff(const struct source *, struct sink *, struct err *why);
/* `facts` NULL or to be filled with what LibRaw knows where exif.c found nothing. */
int decode_raw(const struct source *, struct sink *, struct image_facts *facts, struct err *why);

/* Only the headers: size, and a pointer to the embedded Exif (a TIFF; NULL when there is none). */
int jpeg_read_header_only(const struct source *, int32_t *width, int32_t *height, const uint8_t **exif,
                          size_t *exif_count, struct err *why);
int png_read_header_only(const struct source *, int32_t *width, int32_t *height, const uint8_t **exif,
                         size_t *exif_count, struct err *why);
int tiff_read_header_only(const struct source *, int32_t *width, int32_t *height, struct err *why);
/* preview.c: the widest JPEG that a raw file of TIFF directories carries for viewing. */
bool find_preview(const struct source *, struct source *preview, int32_t *width, int32_t *height);
/* Size of what decode_raw will give; facts as above. E_INPUT when LibRaw does not know the file. */
int raw_read_header_only(const struct source *, struct image_facts *facts, struct err *why);

#endif
