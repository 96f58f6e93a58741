/* turned.h - a picture may say that it is to be shown turned (TIFF 6.0 tag 274, Exif); viewers do. This
 * program measures what is stored, and tells and takes every place as it is shown. Below, w x h are the
 * pixels of the picture as stored; orientations that no standard knows count as not told.
 *
 * source  TIFF 6.0 (1992), section 8, tag 274: which side of the picture row 0 and column 0 are */
#ifndef STADDLE_IMAGE_TURNED_H
#define STADDLE_IMAGE_TURNED_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "staddle/bench.h"

/* Counted from 0. */
struct pixel {
    int32_t x, y;
};

/* Is it shown otherwise than stored? */
bool turned(int orientation);

/* Width and height change places when it is. */
bool turned_on_side(int orientation);

/* What a viewer does, "turned by 90 degrees clockwise"; "" where it shows the picture as stored. */
const char *turned_words(int orientation);

struct pixel turned_to_shown(int orientation, int32_t w, int32_t h, struct pixel stored);
struct pixel turned_to_stored(int orientation, int32_t w, int32_t h, struct pixel shown);

/* The same of boxes, of which x, y are the corner to the upper left. They may lie outside the picture. */
struct region_px turned_box_to_shown(int orientation, int32_t w, int32_t h, struct region_px stored);
struct region_px turned_box_to_stored(int orientation, int32_t w, int32_t h, struct region_px shown);

/* A point that lies at 0,0 in the upper left corner and at w,h in the lower right one. */
void turned_point_to_shown(int orientation, int32_t w, int32_t h, double *x, double *y);

/* A way to go, right and down. */
void turned_way_to_shown(int orientation, double *x, double *y);

/* Pixels as shown, wherever they are stored. */
struct view {
    const uint8_t *first;  /* of the upper left one */
    ptrdiff_t right, down; /* bytes to its neighbours */
    int32_t width_px, height_px;
};

/* Of w x h pixels of `each` bytes, row by row without gaps. */
struct view turned_view(int orientation, const uint8_t *stored, int32_t w, int32_t h, int32_t each);

static inline const uint8_t *view_at(const struct view *v, int32_t x, int32_t y)
{
    return v->first + x * v->right + y * v->down;
}

#endif
