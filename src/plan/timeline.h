/* timeline.h - how long it takes. One slice is: move, settle, shutter lag, exposure; with a flash at least
 * its recycle time passes from one to the next, and the camera is busy for a while after each. The rail
 * speeds up evenly, reaching full speed after TIMELINE_RAMP_US, or where it is known how the bench rings
 * after a whole number of its periods that is no shorter: such a ramp leaves little ringing. The acceleration
 * itself comes and goes evenly within TIMELINE_SMOOTH_MS. Its full speed keeps out of what the bench says to
 * avoid. Moves from slice to slice go by the shape of shaper.h where there is one. source  uniform
 * acceleration, convolved with a box; the ramp is a guess that the rail's own settings follow */
#ifndef STADDLE_PLAN_TIMELINE_H
#define STADDLE_PLAN_TIMELINE_H

#include "staddle/bench.h"
#include "staddle/plan.h"

#define TIMELINE_RAMP_US        100000  /* to full speed: guess */
#define TIMELINE_SMOOTH_MS      32      /* a power of two, as the controller has it; our choice */
#define TIMELINE_SPEED_NM_PER_S 2000000 /* where the bench gives none: guess */
#define TIMELINE_START_COUNTS   6400    /* a second: what the controller usually has (hw-docs/wire.md) */
#define TIMELINE_SETTLE_US      1000000 /* common practice, no source */
#define TIMELINE_EXPOSURE_US    250000  /* where the job gives none: guess */
#define TIMELINE_START_DELAY_US 10000000
/* Before the quiet frame, long enough for what a bench rings at: at 3 Hz and a damping of 0.02 a thousandth
 * is left of a ringing after 18 s (ln 1000 / (2 pi 3 Hz 0.02), see optics/vibration.h); most ring faster. */
#define TIMELINE_QUIET_REST_US 18000000

/* How the rail moves, in counts: what the host tells its controller, within what that can do. Speed 0: a
 * person turns a knob, and a move takes no time that could be foretold. */
struct timeline_motion {
    int64_t speed_counts_per_s, accel_counts_per_s2;
    int64_t num, den;           /* nanometres a count */
    int64_t start_counts_per_s; /* from rest at once */
    int64_t smooth_ms;          /* within which the acceleration comes and goes */
    struct plan_ring ring;
    struct timeline_band {
        double lo, hi; /* counts/s in which it must not stay */
    } bands[BANDS_MOST];
    int band_count;
};
struct timeline_motion timeline_motion(const struct bench *);

bool timeline_in_band(const struct timeline_motion *, double counts_per_s);

/* A move from rest to rest, by the ramp; 0 by hand. */
int64_t timeline_move_us(const struct timeline_motion *, int64_t distance_nm);
int64_t timeline_ramp_us(const struct timeline_motion *, int64_t counts);

/* What the bench and the job say, or the defaults: settle, exposure, recycle, lag, start delay. */
void timeline_waits(const struct bench *, const struct job *, struct plan_timeline *out);

/* Why nobody could take the quiet frame at the end of a stack; NULL: the run takes it. */
const char *timeline_no_quiet(const struct bench *);

/* The critical path of one slice whose move takes move_us. */
int64_t timeline_slice_us(const struct plan_timeline *, int64_t move_us);

struct timeline_path {
    int64_t near_nm, first_nm, last_nm, take_up_nm;
    int32_t slices;
};

/* Fills what timeline_waits left: shape and, unless given, settle; approach, move, slice, closing, quiet,
 * total. */
void timeline_fill(struct plan_timeline *, const struct timeline_path *, const struct timeline_motion *);

#endif
