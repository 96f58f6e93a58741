/* curves.h - a tile's sharpness over the frames: where it peaks, and the shape that the curves of a stack
 * share.
 *
 * Near focus the energy of a tile falls on both sides as (1 + (u / w)^2)^-q with u frames from the peak; w
 * and q are the same for all tiles at one scale (the blur grows with the distance from focus, whatever the
 * texture), so they are fitted once for the stack. With them a tail tells how far away its peak is. */
#ifndef STADDLE_CHECK_CURVES_H
#define STADDLE_CHECK_CURVES_H

#include "check/tiles.h"

struct tile_peak {
    double at;         /* fractional frame */
    double height;     /* signal at the scale of the curve */
    double confidence; /* 0..1 */
};

struct tile_curve {
    int scale;           /* the finest at which the curve stands out of its noise; -1: no texture */
    int32_t first, last; /* frames in which the tile is seen */
    int32_t peak_count;
    struct tile_peak peak[PEAKS_MOST]; /* strongest first */
};

struct focus_shape {
    double width[MEASURE_SCALES]; /* w, frames; 0 where it could not be fitted */
    double power[MEASURE_SCALES]; /* q */
    int32_t tiles;                /* that it was fitted to; 0: a guess */
};

/* One curve a tile, in the caller's array of t->count. */
int curves_find(const struct tiles *, struct tile_curve *, struct err *);

/* Fits the common shape; with fewer than a handful of curves a guess. */
int shape_fit(const struct tiles *, const struct tile_curve *, struct focus_shape *, struct err *);

double shape_log(const struct focus_shape *, int scale, double u); /* ln of the height at u, 0 at u = 0 */

/* Distance from focus at which the signal at half size (detail at half the Nyquist frequency) has fallen to a
 * half: contrast to 0.71. */
double shape_reach(const struct focus_shape *);

#endif
