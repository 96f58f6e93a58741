/* crew.h - a list of independent jobs, done by a few threads. Which thread does which changes nothing. */
#ifndef STADDLE_SIM_CREW_H
#define STADDLE_SIM_CREW_H

#include "base/err.h"

typedef int crew_fn(void *arg, int job, struct err *why);

/* Runs fn(arg, 0 .. jobs - 1) on at most `threads` threads, this one among them. The error of the first
 * failing job by number. */
int crew_run(crew_fn *fn, void *arg, int jobs, int threads, struct err *why);

#endif
