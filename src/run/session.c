#include "run/session.h"

#include <stdio.h>

#include "config/config.h"
#include "plan/plan.h"
#include "plan/timeline.h"

#define MADE_UP_NM 10000000 /* depth of what stands on a simulated bench when no job says; our choice */

/* What the axis needs of a plan is the length of a count, and how far a simulated one may go. */
static int plan_travel(struct shoot_job *s, struct err *why)
{
    struct bench b = s->bench;
    b.axis.clearance_nm = 0; /* a stack that goes too far is no reason not to move */
    b.axis.range_counts = 0;
    return plan_make(&b, &s->job, &s->plan, NULL, why);
}

/* As if something of that depth stood there. */
static int make_up_depth(struct shoot_job *s, struct err *why)
{
    s->job.depth_kind = DEPTH_LENGTH;
    s->job.near_nm = 0;
    s->job.far_nm = MADE_UP_NM;
    s->job.spacing_nm = 0;
    s->job.overlap = -1;
    s->job.slices = 2;
    return plan_travel(s, why);
}

int session_read_bench(const char *bench_path, struct shoot_job *out, struct err *why)
{
    int rc = bench_read(bench_path, &out->bench, why);
    if (rc) return rc;
    out->job.magnification = 1;
    out->job.settle_us = out->job.start_delay_us = -1;
    out->job.exposure_us = TIMELINE_EXPOSURE_US;
    snprintf(out->job.path, sizeof out->job.path, "%s", bench_path);
    return make_up_depth(out, why);
}

/* A job whose ends are not marked yet will do. */
int session_read_job(const char *job_path, const char *bench_path, struct shoot_job *out, struct err *why)
{
    int rc = setup_read(job_path, bench_path, &out->job, &out->bench, why);
    if (rc) return rc;
    if (!out->job.exposure_us) out->job.exposure_us = TIMELINE_EXPOSURE_US;
    if (out->job.depth_kind != DEPTH_NONE && !plan_travel(out, NULL)) return E_OK;
    return make_up_depth(out, why);
}

int session_open_rig(const struct rig_opts *opts, const struct shoot_job *job, bool virtual_clock,
                     struct rig **out, struct err *why)
{
    struct rig_opts r = *opts;
    r.bench = &job->bench;
    r.job = &job->job;
    r.plan = &job->plan;
    r.seed = job->job.seed;
    r.virtual_clock = virtual_clock;
    r.workers = 1;
    return bench_open(&r, out, why);
}
