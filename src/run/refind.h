/* refind.h - a lens tells nobody where it stands. Before its stack is begun it stands where it was focused by
 * eye: on the near end. After its camera was out of sight, or when a stack is resumed, the live picture is
 * compared with the frames kept so far:
 *
 *   LOOK --like one of them--> RETURN to that one's place, from the near side --> CHECK --> shooting goes on
 *     |                                                                            |
 *     +--like none--> SEEK: a part of the depth, this way and that, LOOK          +--beside it--> RETURN
 *
 * Only while nothing is in flight. */
#ifndef STADDLE_RUN_REFIND_H
#define STADDLE_RUN_REFIND_H

#include <stdbool.h>
#include <stdint.h>

#include "image/focus_profile.h"

#define REFIND_FRAMES_MOST 32

enum refind_stage { REFIND_NONE, REFIND_LOOK, REFIND_SEEK, REFIND_RETURN, REFIND_CHECK };

struct refind {
    enum refind_stage stage;
    struct focus_profile *known; /* owned */
    double *at_counts;           /* of each, growing; owned */
    int32_t count;
    int64_t target_counts;
    int seeks, checks;
    int64_t from_counts; /* where it was thought to stand; for the note */
};

struct loop;

/* The axis is at rest, and where it stands nobody knows. */
void refind_begin(struct loop *);
/* True once that is over: the axis knows its place, or the run was given up. */
bool refind_step(struct loop *);
void refind_free(struct loop *);

#endif
