/* still.h - a lens that does not follow any more (at a stop that says nothing, held by its focus-range
 * switch) shows in the pictures: a frame is the same as the one before it. */
#ifndef STADDLE_RUN_STILL_H
#define STADDLE_RUN_STILL_H

#include <stdbool.h>

#include "staddle/measure.h"

/* Do the two show everything equally sharp? False also where they cannot tell: of another size, or with
 * nothing in them that is sharper than the noise.
 * shape   cells as measured; compared in tiles of 8 x 8 cells at full size, over the square of the mean luma
 * source  our choice: one spacing apart what is in focus loses a fifth of its contrast and more, two frames
 *         of one place differ by their noise, over a tile of a picture of 10 MP and more less than a
 * hundredth. In a small, noisy picture it is not told: rather that than a lens blamed that moves */
bool still_the_same(const struct frame_measure *before, const struct frame_measure *now);

struct loop;
struct take;
/* This frame may not be kept: the lens has not followed. The run pauses, with what to do; the frame before it
 * is given up, too, since nobody knows how far the lens went to it. */
bool still_spoils(struct loop *, const struct take *);

#endif
