/* where.h - in which frames is this place sharpest? For whoever retouches a merged picture: the frames to
 * paint from, and where in them the place lies.
 *
 * A place is a point of the first frame as it is shown (verdict.h). What is answered holds for the tile
 * around it: the three frames with most contrast there, and where something else of the same tile (a hair in
 * front, the ground behind it) is sharp. A click on the report's map and `staddle where` both read this one
 * table. Pure.
 */
#ifndef STADDLE_CHECK_WHERE_H
#define STADDLE_CHECK_WHERE_H

#include "check/check.h"

#define WHERE_FRAMES 3
#define WHERE_OTHERS (PEAKS_MOST - 1)

struct where_tile {
    int32_t count;                  /* of the frames below; 0: no texture, in any frame */
    int32_t frame[WHERE_FRAMES];    /* sharpest first */
    double sharpness[WHERE_FRAMES]; /* contrast, 1 for the sharpest */
    double peak;       /* fractional frame in which it would be sharpest; NAN: not seen to peak */
    double confidence; /* of that, 0..1 */
    int32_t others;
    int32_t other[WHERE_OTHERS]; /* frames in which something else there is sharp, strongest first */
};

struct where_map {
    int32_t orientation, frames, rows, cols, tile_px, width_px, height_px, grid_x_px, grid_y_px;
    struct frame_place *place; /* [frame] */
    struct where_tile *tiles;  /* rows x cols */
};

/* Of the whole picture, whatever the region. where_clear it. Errors as check_stack's. */
int where_new(const struct check_input *, struct where_map *out, struct err *);
void where_clear(struct where_map *); /* safe on a zeroed struct */

/* NULL when the point lies outside the first frame. */
const struct where_tile *where_at(const struct where_map *, double x_px, double y_px);

/* A point of the first frame in frame i, and back. */
void where_in(const struct where_map *, int32_t frame, double x_px, double y_px, double *x_out,
              double *y_out);
void where_back(const struct where_map *, int32_t frame, double x_px, double y_px, double *x_out,
                double *y_out);

/* Axis position of a fractional frame; STACK_NONE where the rows do not know it. */
int64_t where_position_nm(const struct frame_row *rows, int32_t count, double frame);

/* The middle of the nearest tile that has texture; false when none has. */
bool where_nearest(const struct where_map *, double x_px, double y_px, double *x_out, double *y_out);

#endif
