/* spacing.h - how far apart neighbouring frames really are, told from the curves alone, in units of the usual
 * spacing.
 *
 * A tile past its peak falls from frame i to i + 1 along the common shape; how far it falls tells how far the
 * focus went: 1 usually, 3 where two frames are missing, 0 for a frame taken twice. Tiles on the other side
 * of their peak must tell the same: in a frame that is only blurred, the one side falls too much and the
 * other rises too little. */
#ifndef STADDLE_CHECK_SPACING_H
#define STADDLE_CHECK_SPACING_H

#include "check/shape.h"

struct step {
    double size;                 /* from frame i to i + 1, usual spacings; NAN where nothing tells */
    double spread;               /* robust sigma of that middle value */
    double one_side, other_side; /* tiles past their peak, and before it; NAN where fewer than a handful tell,
                                    or all of one depth */
    double change; /* median of what all curves change by (|ln|), over its median in the steps around; NAN:
                      too few */
    int32_t tells; /* values on both sides */
};

/* steps[i] for i = 0 .. frames - 2 in the caller's array. */
int spacing_find(const struct tiles *, const struct tile_curve *, const struct focus_shape *, struct step *,
                 struct err *);

/* Share of tiles whose curves run smoother with frames i and i + 1 exchanged; 0 where too few tell. */
double spacing_swap_share(const struct tiles *, const struct tile_curve *, int32_t i);

#endif
