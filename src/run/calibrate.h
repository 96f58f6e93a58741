/* calibrate.h - how an axis really moves, seen by the camera: its play, which moves lose steps, how well a
 * place is met again, and how wide the focus is.
 *
 *    sizes -> forth -> back -> ways, each looked at -> forth -> back     (forth and back: sweeps,
 * image/sweeps.h)
 *
 * The sizes of a lens's motor come first, for all that follows is counted in them.
 * Forth against back is the play; forth against the second forth, and back against the second back, what was
 * lost in between; each picture of the second forth against the first, how well a place is met again. Where
 * the axis goes is checked before it moves, and told once; a wish halts it. */
#ifndef STADDLE_RUN_CALIBRATE_H
#define STADDLE_RUN_CALIBRATE_H

#include "image/sweeps.h"
#include "run/axis_session.h"

struct calibrate_opts {
    bool at_given;
    int64_t at_nm; /* the middle of the sweeps; else of the job's ends, or where it stands */
    void (*progress)(void *arg, int32_t done, int32_t of);
    void *arg;
};

/* A move at full speed, alone or several in a row, and a picture after it. */
struct calibration_way {
    int64_t length_nm;
    double short_nm, uncertainty_nm; /* it went so much less than it counted */
    int32_t times;
    bool forth; /* toward the subject */
    bool seen;  /* else what is in focus there was lost from sight */
    bool lost;  /* more than by chance */
};

/* Orders of a lens's motor against each other: its named sizes; of one that counts, orders of so many counts.
 */
struct calibration_sizes {
    int32_t orders[3]; /* small, medium, large, as the camera takes them; 0: there is none */
    bool named;
    double ratio[2];       /* medium to small, large to medium; NAN: could not be told */
    double uncertainty[2]; /* one sigma */
};

#define CALIBRATE_WAYS 8
struct calibration {
    struct calibration_sizes sizes;  /* orders[0] 0: of no lens */
    int64_t from_nm, to_nm, step_nm; /* of the sweeps */
    int32_t frames, places;          /* pictures in all; cells that were seen */
    double backlash_nm, backlash_uncertainty_nm;
    struct calibration_way ways[CALIBRATE_WAYS];
    int32_t way_count; /* fewer where sight was lost */
    double before_nm;  /* what it stood off before the first of them; NAN: not seen */
    bool lost_before;  /* which is more than chance */
    double lost_nm,
        lost_uncertainty_nm; /* over all; positive: it stands deeper than it counts; NAN: not seen */
    double repeat_nm, repeat_uncertainty_nm; /* of a place met the same way, one sigma; NAN: not seen */
    double focus_width_nm;                   /* full width at half maximum of the energy */
};

/* The session has its camera, too (camera_too). */
int calibrate_axis(struct axis_session *, const struct calibrate_opts *, struct calibration *out,
                   struct err *);

#endif
