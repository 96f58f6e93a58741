/* lens.h - the lens's own motor, as a camera drives it: nothing but "go on by so much", and what came of it.
 * There is no position to be asked for. */
#ifndef STADDLE_LENS_H
#define STADDLE_LENS_H

#include <stdint.h>

#define LENS_SIZES_MOST 3

/* sizes 0: an order is a number of steps, positive away from the camera, at most `order_most` either way.
 * Else an order is the number of a size, 1 the smallest, positive away from the camera; what the larger ones
 * are worth differs from lens to lens. order_most 0: it has no motor that could be driven. */
struct lens_kind {
    int32_t order_most;
    int32_t sizes;
};

enum lens_result {
    LENS_MOVED,
    LENS_REFUSED,   /* at once, and has not moved: may be asked again */
    LENS_LATE,      /* it took the order, and may still be moving */
    LENS_AT_END,    /* it stands at a stop, short of where it should be */
    LENS_TOO_SHORT, /* has not moved: it does not take so small an order */
    LENS_CANNOT,    /* has not moved, and asking again would not help */
    LENS_LOST       /* nobody can tell whether, or how far, it moved */
};

#endif
