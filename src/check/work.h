/* work.h - what check_stack knows while it works; the parts below fill it in this order.
 *
 *   tiles_new -> curves_find -> shape_fit -> sequence_judge -> places_judge -> ridge_find -> needs_find ->
 * depth_find -> frames_... -> shake_find -> motion_judge -> quiet_judge -> spots_find -> border_find ->
 * weak_find -> shown_verdict -> say_all
 *
 * All of them work on the pictures as stored; shown_verdict turns what they found, so that say_all and
 * whoever reads the verdict know the pictures as shown.
 */
#ifndef STADDLE_CHECK_WORK_H
#define STADDLE_CHECK_WORK_H

#include "check/curves.h"
#include "check/frames.h"
#include "check/spacing.h"

struct work {
    const struct check_input *in;
    struct tiles tiles;
    struct tile_curve *curves; /* [tile] */
    struct focus_shape shape;
    struct focus_shape end_shape[2]; /* of what lies nearest the first, the last frame */
    double reach;                    /* spacings from a frame within which the subject is sharp in it */
    double shape_reach;              /* what the curves say of it; 0 unknown */
    struct step *steps;              /* [frame]; the last is unused */
    double *z;                       /* [frame] place in usual spacings */
    struct frame_loss *loss;         /* [frame] */
    bool *blurred, *shifted, *odd_light, *needed; /* [frame] */
    struct jump *jumps;                           /* [frame] */
    int32_t blur_judged, shift_judged;
    struct verdict v;
};

/* sequence.c: frames taken twice, exchanged, missing; then z. */
int sequence_judge(struct work *, struct err *);
/* places.c: the state of every tile, and what was sharp in none. */
int places_judge(struct work *, struct err *);
/* ridge.c: how sharp each depth is in each frame. */
int ridge_find(struct work *, struct err *);
/* needs.c: which frames show something sharp that no other does; first and last useful. */
int needs_find(struct work *, struct err *);
/* Are two peaks of the eight tiles around near this place, or one where the peak itself is sure? */
bool needs_peak_counts(const struct work *, int32_t tile, const struct tile_peak *);
/* depth.c: peaks as places of the axis. */
void depth_find(struct work *);
/* motion.c: groups and slow drift, from the jumps. */
int motion_judge(struct work *, struct err *);
/* quiet.c: the stack against frames taken when all was still. */
int quiet_judge(struct work *, struct err *);
/* spots.c: what stays put on the sensor. */
int spots_find(struct work *, struct err *);
/* border.c: what not all useful frames see. */
void border_find(struct work *);
/* weak.c: the three places to look at. */
int weak_find(struct work *, struct err *);
/* say.c: the findings. */
int say_all(struct work *, struct err *);

/* say_motion.c: what moved, and what that costs at the border. */
int say_moved(struct work *, struct err *);
int say_drift(struct work *, struct err *);
int say_border(struct work *, struct err *);
/* say_spots.c: what sits on the sensor. */
int say_spots(struct work *, struct err *);
/* say_quiet.c: how sharp the stack is against a quiet frame. */
int say_quiet(struct work *, struct err *);

/* The number on a frame's file, from 1. */
int32_t say_number(const struct work *, int32_t frame);

/* Do so many tiles come into focus near this frame and the one before that a shift between them tells? */
bool work_shift_matters(const struct work *, int32_t frame);

int frame_list_add(struct frame_list *, int32_t frame, struct err *);
bool frame_list_has(const struct frame_list *, int32_t frame);

#endif
