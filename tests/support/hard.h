/* hard.h - what is hard to judge: a stack of the simulated world with something done to its frames or their
 * files, its verdict, and a row of the table. Truth is how the frames were made. */
#ifndef TESTS_SUPPORT_HARD_H
#define TESTS_SUPPORT_HARD_H

#include "tests/support/shoot.h"

/* Slices from the nearest to the farthest point; frames beyond each end; all frames. */
enum { HARD_SLICES = 28, HARD_SPARE = 4, HARD_FRAMES = HARD_SLICES + 2 * HARD_SPARE, HARD_ROOM = 48 };

struct hard {
    struct shoot s;
    struct shoot_frame
        f[HARD_ROOM];        /* at the usual spacing from HARD_SPARE before the first, to be changed */
    struct region_px region; /* of check; w 0: all */
    struct verdict v;        /* of the last hard_judge */
};

/* The photograph with measured depth, 400 x 346. Data set: aloeL.jpg and aloeGT.png of the package
 * opencv-doc, from Middlebury 2006 (Scharstein and Pal 2007). */
struct shoot_scene hard_aloe(void);

/* NULL: the demo's clock movement. hard_close it. */
void hard_open(struct hard *, const struct shoot_scene *);
void hard_close(struct hard *);
/* The frames as they were. */
void hard_reset(struct hard *);

/* Checks frames `from` to `from + n - 1` of h->f, without a plan, and prints a row: `what`, findings. */
void hard_judge(struct hard *, int32_t from, int32_t n, const char *what);

/* Of the last verdict; NULL: not said. */
const struct finding *hard_said(const struct hard *, const char *code);
/* Does that finding name this frame (of those judged, from 0)? */
bool hard_names(const struct hard *, const char *code, int32_t frame);
/* Findings that say something against the stack. */
int32_t hard_blames(const struct hard *);

#endif
