/* within.h - the closest spacing that can be shot in a given time, and what to change when that is too wide.
 */
#ifndef STADDLE_PLAN_WITHIN_H
#define STADDLE_PLAN_WITHIN_H

#include "base/err.h"
#include "staddle/bench.h"
#include "staddle/plan.h"

/* Ways to bring the job's own plan down to the limit, each alone; negative: that way does not do it. */
struct within_ways {
    int64_t settle_us; /* settle at most so long */
    double f_number;   /* close to this mark (or effective f-number, when the bench gives that) */
    int64_t depth_nm;  /* shoot this much of the depth */
};

struct within {
    int64_t limit_us;
    bool job_fits;           /* the job's own spacing takes no longer */
    struct plan finest;      /* owned: plan_clear */
    struct within_ways ways; /* where the job does not fit */
};

/* `own` is the job's plan. E_INPUT when not even two slices and the margin fit. */
int within_find(const struct bench *, const struct job *, const struct plan *own, int64_t limit_us,
                struct within *out, struct err *);

#endif
