/* quiet.h - at the end of a run, where the job says so: one more frame, where most is in focus, after a
 * wait in which everything comes to rest. It is kept as a reference frame, and check compares with it. */
#ifndef STADDLE_RUN_QUIET_H
#define STADDLE_RUN_QUIET_H

#include "run/shoot.h"

/* What it does, and how long the rest takes. */
struct quiet_teller {
    void (*doing)(void *arg, const char *doing, int64_t left_us);
    void *arg;
};

/* Moves, waits, shoots; the rig is idle. E_UNSUPPORTED where the axis or the camera is a person's, or the
 * frames stay on the card; E_PAUSED: stopped by hand. The stack is whole without it. */
int quiet_take(const struct shoot_job *, struct rig *, struct store *, const struct quiet_teller *,
               struct err *);

#endif
