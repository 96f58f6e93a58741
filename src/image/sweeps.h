/* sweeps.h - an axis seen through pictures: the same places come into focus in two sweeps of it, and where by
 * its own counting they do tells how far the two sweeps lie apart. One sweep forth and one back give the
 * play; two of one kind, what was lost between them.
 *
 * A place is a cell of the picture; its sharpness over a sweep is close to a Gaussian near its top, which
 * three values give (peaks.h). A top read so is off by a little that goes with where it lies between two
 * positions; over places of all depths that averages out, which is why the thing to look at is a ruler
 * aslant, or anything else that is deep. Pure. */
#ifndef STADDLE_IMAGE_SWEEPS_H
#define STADDLE_IMAGE_SWEEPS_H

#include "base/err.h"
#include "staddle/measure.h"

struct sweep {
    int32_t frames, places;
    double first, step; /* position of frame i: first + i * step, whichever way it was driven */
    float *energy;      /* [frame * places + place]; owned: sweep_clear */
};

/* `places` as the first frame has cells. */
int sweep_new(struct sweep *, int32_t frames, int32_t places, double first, double step, struct err *);
void sweep_clear(struct sweep *); /* safe on a zeroed struct */

/* Takes the energy of each cell at half size. E_INPUT when the frame has other cells than the first. */
int sweep_put(struct sweep *, int32_t frame, const struct frame_measure *, struct err *);

struct sweep_shift {
    double shift;       /* of b's positions against a's: the middle over the places */
    double uncertainty; /* one sigma of that */
    double scatter;     /* from position to position, one sigma of a single one; NAN: too few places */
    double width;       /* full width at half maximum of a's curves, the middle */
    int32_t places;     /* that were seen in both */
};

/* E_INPUT: fewer than SWEEP_PLACES_LEAST places come into focus in both.
 * source  top of a focus curve: Nayar and Nakagawa, PAMI 16:824, 1994 (from memory) */
#define SWEEP_PLACES_LEAST 20
int sweep_compare(const struct sweep *a, const struct sweep *b, struct sweep_shift *out, struct err *);

#endif
