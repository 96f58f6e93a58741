/* shape.h - how a tile's sharpness falls with the distance from focus: much the same for all tiles of a
 * stack, since the blur grows with the distance whatever the texture. It is read off the curves themselves,
 * at each scale: the middle of what they have lost u frames from their peaks. With it a tail tells how far
 * away its peak is. No lens data is needed. */
#ifndef STADDLE_CHECK_SHAPE_H
#define STADDLE_CHECK_SHAPE_H

#include "check/curves.h"

#define SHAPE_BIN  0.25 /* frames */
#define SHAPE_BINS 64   /* thus up to 16 frames from the peak */

struct focus_shape {
    double fall[MEASURE_SCALES][SHAPE_BINS]; /* ln lost (b + 1/2) bins from the peak; grows */
    int own[MEASURE_SCALES];                 /* bins that were read off; further out it goes on as a power */
    double power[MEASURE_SCALES];            /* of that */
    bool read[MEASURE_SCALES];               /* off the curves; else a guess */
    /* ln of the energy in focus at scale k over that at k + 1: middle and spread over the tiles. A tile far
     * out of focus has less of the fine than any texture of the stack. */
    double ratio[MEASURE_SCALES - 1], ratio_sigma[MEASURE_SCALES - 1];
    int32_t tiles; /* that it was read off; 0: too few, so a guess */
};

int shape_fit(const struct tiles *, const struct tile_curve *, struct focus_shape *, struct err *);
/* The same from the tiles alone whose peaks lie nearest the first or the last frame. */
int shape_fit_end(const struct tiles *, const struct tile_curve *, bool after, struct focus_shape *,
                  struct err *);

double shape_log(const struct focus_shape *, int scale, double u); /* ln of the height at u, 0 at u = 0 */

/* The distance (>= 0) at which the height has fallen by that much (ln), at most `most`. */
double shape_distance(const struct focus_shape *, int scale, double fall, double most);

/* Distance from focus at which fine detail (half size, thus half the Nyquist frequency) keeps 0.8 of its
 * contrast, the rule by which slices are spaced. */
double shape_reach(const struct focus_shape *);

/* The same of the coarsest scale's own detail; 0 where it could not be read. Where frames stand too far
 * apart, a fine curve is one frame wide whatever its depth; the two coarsest still tell, and the larger
 * counts. */
double shape_coarse_reach(const struct focus_shape *);

#endif
