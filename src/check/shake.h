/* shake.h - a frame that is blurred against its neighbours, told by what they predict for it.
 *
 * Over the frames the ln energy of a tile is a smooth curve, and the two frames on either side of one say
 * what it should be there. What a tile has less than that is no loss yet: where the curve bends sharply, what
 * four frames say of it is off, by the same in all tiles that lie alike. So how the middle goes with slope
 * and bend is learnt from all tiles and frames of the stack, nothing is asked that needs a tile's focus to be
 * known, and tiles far out of focus tell, too. A loss counts that the tiles nearer than the frame's focus
 * show as well as those deeper (a frame a little off its place makes one side sharper), that makes the frames
 * beside it look better by comparison, and that stands far out of what the stack's other frames show. */
#ifndef STADDLE_CHECK_SHAKE_H
#define STADDLE_CHECK_SHAKE_H

#include "check/curves.h"

/* Marks shaken[frame], leaves others as they are. `z`: each frame's place in usual spacings. */
int shake_find(const struct tiles *, const struct tile_curve *, const double *z, bool *shaken, struct err *);

#endif
