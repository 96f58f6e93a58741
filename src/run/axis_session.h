/* axis_session.h - the axis alone, without a camera: what `axis` and `rehearse` do by hand at the bench.
 *
 *    open -> ready -> home, go, jog, here (each waits until it is over) -> close
 *
 *  1. Nothing moves on opening. Whatever moves is told first, in one sentence, through `tell`.
 *  2. A wish (Ctrl-C) halts the axis and ends the call with E_PAUSED.
 *  3. A place can be gone to only where the position is known, and within the limits; a distance always, but
 *     never farther toward the subject than the clearance. */
#ifndef STADDLE_RUN_AXIS_SESSION_H
#define STADDLE_RUN_AXIS_SESSION_H

#include "run/shoot.h"

struct axis_session_opts {
    const char *job_path;   /* NULL: bench_path alone, and nothing is known of what stands before the lens */
    const char *bench_path; /* NULL: as the job says */
    bool virtual_clock;
    bool camera_too;           /* for calibrate.h */
    bool virtual_if_simulated; /* both axis and camera: nobody has to wait */
    struct rig_opts rig;       /* tests: times, faults, wrappers; the rest is filled in */
    void (*tell)(void *arg, const char *sentence);
    void *arg;
};

/* What a place is checked against. */
struct axis_bounds {
    bool lo_known, hi_known;
    int64_t lo_counts, hi_counts;
    char lo_from[160], hi_from[160]; /* named in messages */
};

struct axis_session {
    struct rig *rig;
    struct shoot_job job; /* made up where none was given */
    bool job_given;
    struct axis_state state; /* as last seen */
    struct axis_bounds bounds;
    void (*tell)(void *arg, const char *sentence);
    void *arg;
};

int axis_session_open(const struct axis_session_opts *, struct axis_session **out, struct err *);
void axis_session_close(struct axis_session *); /* NULL is fine */
/* On a rig that somebody else opened and closes; the job stays theirs, too. Not to be closed. */
void axis_session_borrow(struct axis_session *, struct rig *, const struct shoot_job *);

/* Until the controller has answered; also where it is stopped or in alarm, which state shows. */
int axis_session_ready(struct axis_session *, struct err *);
/* Ends a stop or an alarm, if the controller lets it. */
int axis_session_clear(struct axis_session *, struct err *);

int axis_session_home(struct axis_session *, struct err *);
int axis_session_go(struct axis_session *, int64_t position_nm, struct err *);
int axis_session_jog(struct axis_session *, int64_t distance_nm, struct err *);
int axis_session_here(struct axis_session *, int64_t position_nm, struct err *); /* moves nothing */
/* One order of a lens's motor (device/axis.h); nobody knows where it stands then. */
int axis_session_order(struct axis_session *, int32_t order, struct err *);

/* The controller's own parameters; also where it is in alarm because it has none. */
int axis_session_key(struct axis_session *, enum axis_key_do, int key, int32_t *value, struct err *);

/* Waits so long, or until a wish: true. Keeps `state` up to date. */
bool axis_session_pass(struct axis_session *, int64_t us);

/* E_STATE, with what to do, unless the position is known. */
int axis_session_need_position(const struct axis_session *, struct err *);
/* E_INPUT with the limit's name when the place lies beyond one. */
int axis_session_check(const struct axis_session *, int64_t position_nm, struct err *);

/* To a little beyond the near end, the farthest from the subject; never toward it, wherever the zero is. */
int axis_session_park(struct axis_session *, struct err *);

int64_t axis_session_nm(const struct axis_session *, int64_t counts);
int64_t axis_session_counts(const struct axis_session *, int64_t nm);

#endif
