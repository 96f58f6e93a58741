/* turned.h - a picture may say that it is to be shown turned (TIFF 6.0 tag 274, Exif); viewers do, this
 * program works on what is stored. Pixels are counted from 0 in either. */
#ifndef STADDLE_IMAGE_TURNED_H
#define STADDLE_IMAGE_TURNED_H

#include <stdbool.h>
#include <stdint.h>

struct pixel {
    int32_t x, y;
};

/* Is it shown otherwise than stored? Orientations that no standard knows count as not told. */
bool turned(int orientation);

/* Width and height change places when it is. */
bool turned_on_side(int orientation);

/* shape   `w` x `h` pixels as stored, either way
 * source  TIFF 6.0 (1992), section 8, tag 274: which side of the picture row 0 and column 0 are */
struct pixel turned_to_shown(int orientation, int32_t w, int32_t h, struct pixel stored);
struct pixel turned_to_stored(int orientation, int32_t w, int32_t h, struct pixel shown);

#endif
