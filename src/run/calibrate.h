/* calibrate.h - how an axis really moves, seen by the camera: its play, what it loses on fast ways, how well
 * it comes back, and how wide the focus is.
 *
 *    forth -> back -> long ways forth and back -> forth -> back      (each a sweep of pictures,
 * image/sweeps.h)
 *
 * Forth against back is the play; forth against the second forth, and back against the second back, what was
 * lost in between. Where the axis goes is checked before it moves, and told once; a wish halts it. */
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

struct calibration {
    int64_t from_nm, to_nm, step_nm; /* of the sweeps */
    int32_t frames, places, ways;    /* pictures in all; cells that were seen; long ways between the sweeps */
    int64_t way_nm;
    double backlash_nm, backlash_uncertainty_nm;
    double lost_nm, lost_uncertainty_nm; /* after the long ways; positive: it stands deeper than it counts */
    double repeat_nm;                    /* of one position, approached the same way; NAN: not seen */
    double focus_width_nm;               /* full width at half maximum of the energy */
};

/* The session has its camera, too (camera_too). */
int calibrate_axis(struct axis_session *, const struct calibrate_opts *, struct calibration *out,
                   struct err *);

#endif
