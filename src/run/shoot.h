/* shoot.h - from a job to a stack folder: opens the bench, makes the folder, shoots, closes. What `simulate`,
 * `run` and `resume` share.
 *
 * Nothing is written before the bench is open and everything that can be checked has been. */
#ifndef STADDLE_RUN_SHOOT_H
#define STADDLE_RUN_SHOOT_H

#include "run/loop.h"

/* Beside the stack's folder, and called as that and this: the card of a simulated camera on a cable. */
#define SHOOT_CARD "-card"

struct shoot_opts {
    const char *dir;    /* the stack's folder; new ones are made there */
    bool virtual_clock; /* resume goes on with the clock that the stack has, if it got so far */
    int workers;        /* 0: one a core */
    bool seed_given;
    uint64_t seed;        /* instead of the job's */
    const char *job_path; /* resume: where the job file stood, for pictures that it names; may be NULL */
    bool no_closing;
    enum shoot_doubt { DOUBT_BY_JOB, DOUBT_SHOOT_AGAIN, DOUBT_ASK } doubt; /* resume */
    bool anyway; /* although the camera is not ready; resume: or the set or the light not as it was */
    bool quiet_world;
    struct rig_opts rig; /* tests: times, faults, wrappers, silent_shutter; the rest is filled in */
    void (*progress)(void *arg, const struct run_progress *);
    void *progress_arg;
    bool (*killed)(void *arg, int64_t events);
    void *killed_arg;
    void (*opened)(void *arg, struct rig *, struct store *); /* tests: before the first event */
    void (*closing)(void *arg, struct rig *); /* tests: after the last one, the rig still open */
    void *arg;
};

/* A job and its bench, planned. */
struct shoot_job {
    struct bench bench;
    struct job job;
    struct plan plan;
    struct finding_list findings; /* of the plan */
};
int shoot_job_read(const char *job_path, const char *bench_override, struct shoot_job *out, struct err *why);
void shoot_job_clear(struct shoot_job *);

/* Codes as run_stack; E_INPUT also when the folder exists, E_UNSUPPORTED for devices that are not there yet.
 */
int shoot_new(const struct shoot_job *, const struct shoot_opts *, struct run_result *out, struct err *why);

/* What was in flight is decided by the tables of resume.c, and the rest is shot. *already is set when there
 * was nothing left to do.
 */
int shoot_resume(const struct shoot_opts *, struct run_result *out, bool *already, struct err *why);

#endif
