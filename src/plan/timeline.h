/* timeline.h - how long it takes. One slice is: move, settle, shutter lag, exposure; with a flash at least
 * its recycle time passes from one to the next. The rail speeds up evenly, reaching full speed after
 * TIMELINE_RAMP_US. source  uniform acceleration; the ramp is a guess that the rail's own settings follow */
#ifndef STADDLE_PLAN_TIMELINE_H
#define STADDLE_PLAN_TIMELINE_H

#include "staddle/bench.h"
#include "staddle/plan.h"

#define TIMELINE_RAMP_US        100000  /* to full speed: guess */
#define TIMELINE_SPEED_NM_PER_S 2000000 /* where the bench gives none: guess */
#define TIMELINE_SETTLE_US      1000000 /* common practice, no source */
#define TIMELINE_EXPOSURE_US    250000  /* where the job gives none: guess */
#define TIMELINE_START_DELAY_US 10000000

/* How the rail moves, in counts: what the host tells its controller, within what that can do. */
struct timeline_motion {
    int64_t speed_counts_per_s, accel_counts_per_s2;
    int64_t num, den; /* nanometres a count */
};
struct timeline_motion timeline_motion(const struct bench *);

/* A move from rest to rest. */
int64_t timeline_move_us(const struct timeline_motion *, int64_t distance_nm);

/* What the bench and the job say, or the defaults: settle, exposure, recycle, lag, start delay. */
void timeline_waits(const struct bench *, const struct job *, struct plan_timeline *out);

/* The critical path of one slice whose move takes move_us. */
int64_t timeline_slice_us(const struct plan_timeline *, int64_t move_us);

struct timeline_path {
    int64_t near_nm, first_nm, last_nm, take_up_nm;
    int32_t slices;
};

/* Fills what timeline_waits left: approach, move, slice, closing, total. */
void timeline_fill(struct plan_timeline *, const struct timeline_path *, const struct timeline_motion *);

#endif
