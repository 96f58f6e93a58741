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

#include <stdbool.h>

#include "base/err.h"
#include "staddle/measure.h"

struct sweep {
    int32_t frames, places, cols;
    double first, step; /* position of frame i: first + i * step, whichever way it was driven */
    float *energy;      /* [frame * places + place]; owned: sweep_clear */
};

/* `places` as the first frame has cells. */
int sweep_new(struct sweep *, int32_t frames, int32_t places, double first, double step, struct err *);
void sweep_clear(struct sweep *); /* safe on a zeroed struct */

/* Takes the energy of each cell at half size. E_INPUT when the frame has other cells than the first. */
int sweep_put(struct sweep *, int32_t frame, const struct frame_measure *, struct err *);

/* Where one place comes into focus: false where it does not, or more than once. */
struct sweep_top {
    double at, width; /* of its curve, full at half maximum */
    double most;      /* its energy there */
};
bool sweep_top(const struct sweep *, int32_t place, struct sweep_top *out);

struct sweep_shift {
    double shift;       /* of b's positions against a's: the middle over the places */
    double uncertainty; /* one sigma of that */
    double width;       /* full width at half maximum of a's curves, the middle */
    int32_t places;     /* that were seen in both */
};

/* E_INPUT: fewer than SWEEP_PLACES_LEAST places come into focus in both.
 * source  top of a focus curve: Nayar and Nakagawa, PAMI 16:824, 1994 (from memory) */
#define SWEEP_PLACES_LEAST 20
int sweep_compare(const struct sweep *a, const struct sweep *b, struct sweep_shift *out, struct err *);

/* ---- one picture held against a sweep (sweep_place.c) */

struct sweep_seen {
    double shift; /* of the position that it was taken at against the one that the sweep saw the same at */
    double uncertainty; /* one sigma */
    bool beyond; /* by the plane that the places lie in, as those of a ruler do: about a focus' width */
};

/* `picture`: frame k of another sweep. E_INPUT: it shows nothing in focus that can be told. */
int sweep_place(const struct sweep *, const struct sweep *picture, int32_t k, struct sweep_seen *out,
                struct err *);

/* Each picture of one sweep held against another: how far the two lie apart, as sweep_compare tells it from
 * the places, and how well a position is met again. What a top is off between two frames, which the places
 * must average out, does not count here. */
#define SWEEP_PICTURES_LEAST 8
struct sweep_again {
    double shift, uncertainty;
    double repeat, repeat_uncertainty; /* of a single position, one sigma, the pictures' noise included */
    int32_t pictures;                  /* that could be placed; fewer than the least: all else is NAN */
};
int sweep_again(const struct sweep *a, const struct sweep *b, struct sweep_again *out, struct err *);

double sweep_middle(double *values, int32_t count); /* the median; sorts them */

#endif
