/* growth.h - how far apart two neighbouring frames are, told by how much the picture grew between them: a
 * rail's perspective or a lens's breathing adds as much with each slice. It needs a scale that registration
 * is sure of, but no tiles in focus at many depths as the curves do (spacing.h): a wing alone before the
 * body, all at one depth, tells it. */
#ifndef STADDLE_CHECK_GROWTH_H
#define STADDLE_CHECK_GROWTH_H

#include "check/check.h"

/* Slices that are missing between frames i and i + 1; 0: none, or the scale does not tell. `room`: one value
 * a frame. */
int32_t growth_missing(const struct check_input *, int32_t i, double *room);

#endif
