/* session.h - a bench opened for something else than a stack: the axis by hand, the camera by hand. */
#ifndef STADDLE_RUN_SESSION_H
#define STADDLE_RUN_SESSION_H

#include "run/shoot.h"

/* A bench file alone, as if something stood before its lens; a job, whose ends need not be marked yet. */
int session_read_bench(const char *bench_path, struct shoot_job *out, struct err *);
int session_read_job(const char *job_path, const char *bench_path, struct shoot_job *out, struct err *);

/* One worker; what else `opts` say holds, and `job` is borrowed until bench_close. */
int session_open_rig(const struct rig_opts *opts, const struct shoot_job *job, bool virtual_clock,
                     struct rig **out, struct err *why);

#endif
