/* last_job.h - which job was shot last, for `run` without a job.
 *
 * One small JSON file: $XDG_STATE_HOME/staddle/last-job.json, or ~/.local/state/staddle/last-job.json (the
 * XDG base directory specification, freedesktop.org: state that should outlive the program but is not worth
 * moving to another machine). It may be deleted at any time. */
#ifndef STADDLE_STORE_LAST_JOB_H
#define STADDLE_STORE_LAST_JOB_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "staddle/bench.h"

struct last_job {
    char job[PATH_ROOM];    /* absolute */
    char bench[PATH_ROOM];  /* as --bench gave it, absolute; "": the one that the job names */
    char folder[PATH_ROOM]; /* in which the evenings are, absolute */
    char stack[PATH_ROOM];  /* absolute */
    int64_t begun_wall_us;
};

/* *there is false where nothing is remembered, or nothing that can be read. */
int last_job_read(struct last_job *out, bool *there, struct err *why);

/* Makes the folders that are not there. */
int last_job_write(const struct last_job *, struct err *why);

/* An absolute path without links, for a file or folder that is there; E_INPUT when it is not. */
int last_job_absolute(const char *path, char out[PATH_ROOM], struct err *why);

#endif
