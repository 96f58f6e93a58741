/* look.h - a picture that is none of the stack, seen as one of its frames would be, and where its focus lies
 * among theirs.
 *
 * Only at the right place do the tiles' coarse energies differ from the stack's by one factor everywhere:
 * what is nearer or deeper comes into focus or goes out of it elsewhere. A shake, or other light, changes
 * that factor alone. */
#ifndef STADDLE_CHECK_LOOK_H
#define STADDLE_CHECK_LOOK_H

#include "check/work.h"

#define LOOK_TILES_LEAST 25 /* that tell, as for frames against each other (frames.c) */

struct look {
    const struct work *w;
    const struct quiet_frame *quiet;
    struct tile_sample *seen; /* [tile] as frame `as` would see it */
    double *room;             /* 2 a tile */
    double *peak;             /* [tile] of frames_focus */
    double light;             /* ln, relative to the first frame */
    int32_t as;
};

/* The frame whose focus is nearest, as which it is looked at then; `at` with what lies between two. `spread`:
 * how much the tiles disagree there (robust sigma of ln energy). False: too little of it tells. */
bool look_focus(struct look *, double *at, double *spread);

/* ln of the energy of a tile, as the stack's are; NAN where it does not tell. */
double look_log(const struct look *, int scale, int32_t tile);
double look_stack_log(const struct look *, int scale, int32_t tile, int32_t frame);

#endif
