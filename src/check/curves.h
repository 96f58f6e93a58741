/* curves.h - a tile's sharpness over the frames, and all places where it peaks. */
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

/* One curve a tile, in the caller's array of t->count. */
int curves_find(const struct tiles *, struct tile_curve *, struct err *);

#endif
