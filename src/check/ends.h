/* ends.h - peaks that no frame holds: beyond the first or the last frame, or in a hole between two. The
 * common shape of the curves, laid through what is seen of a tile at all its scales, tells how far away its
 * focus is. */
#ifndef STADDLE_CHECK_ENDS_H
#define STADDLE_CHECK_ENDS_H

#include "check/shape.h"

#define ENDS_FAR 24.0 /* spacings beyond an end; further away a tail is too flat to tell */

/* Place of the focus of a tile that explains frames first..last best, from_z to to_z in steps of a tenth of a
 * spacing; z[frame] is the place of each frame in usual spacings, growing. `finest` is the
 * scale at which the rise is seen first; it and its neighbours are asked. Coarser ones hold too much of what
 * lies beside the tile. */
double ends_fit(const struct tiles *, const struct focus_shape *, int32_t tile, const double *z,
                int32_t first, int32_t last, double from_z, double to_z, int finest);

#endif
