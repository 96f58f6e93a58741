/* calibrate_part.h - what the parts of calibrate share. */
#ifndef STADDLE_RUN_CALIBRATE_PART_H
#define STADDLE_RUN_CALIBRATE_PART_H

#include "image/measure_io.h"
#include "run/calibrate.h"
#include "run/camera_session.h"

#define CALIBRATE_FRAMES 24 /* a sweep; our choice */

struct calibrating {
    struct axis_session *axis;
    struct camera_session camera; /* the same rig and job, borrowed */
    const struct calibrate_opts *o;
    struct measure_space *space;
    int64_t from_nm, step_nm;
    int64_t take_nm; /* takes up any play */
    int64_t way_nm;  /* the longest beyond the sweeps */
    int32_t done;
    struct calibration_sizes sizes;
    struct sweep sweeps[4]; /* forth, back, forth, back */
    struct calibration_way ways[CALIBRATE_WAYS];
    int32_t way_count, ways_wanted;
    double before_nm;    /* what it stood off before the first way */
    double corrected_nm; /* of where it counts that it stands, since then */
};

static inline int64_t calibrate_at_nm(const struct calibrating *c, int32_t i)
{
    return c->from_nm + i * c->step_nm;
}

/* calibrate_ways.c: goes there in moves as short as the sweeps', which lose nothing. */
int calibrate_creep(struct calibrating *, int64_t to_nm, struct err *);

int calibrate_wait(struct calibrating *, struct err *); /* until it is still */
/* Waits so, and takes picture i of the sweep. */
int calibrate_look(struct calibrating *, struct sweep *, int32_t i, struct err *);

/* calibrate_ways.c: the ways, each looked at, into `ways`; where something was lost the axis is told where it
 * really stands. Ends early, without an error, where it has lost what it looks at. */
int calibrate_ways(struct calibrating *, struct err *);

/* calibrate_sizes.c: the orders of a lens's motor against each other, into `sizes`; where they have names its
 * axis counts by what was found from then on. Ends where it began, or as near as its play lets it. */
int calibrate_sizes(struct calibrating *, struct err *);

#endif
