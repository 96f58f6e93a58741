/* judge.h - from a stack folder to its verdict: rows, measures (kept in derived/, measured where missing),
 * check. The one path of check, of handover and of the end of a run, so that they cannot disagree. */
#ifndef STADDLE_REPORT_JUDGE_H
#define STADDLE_REPORT_JUDGE_H

#include "base/err.h"
#include "check/where.h"
#include "staddle/bench.h"
#include "staddle/measure.h"
#include "staddle/plan.h"
#include "staddle/verdict.h"
#include "store/store.h"

struct judge_opts {
    bool region_given;       /* else the job's region, else the whole frame */
    struct region_px region; /* pixels of the first frame as it is shown */
    int threads;             /* for measuring; 0: one a processor. The verdict is the same with any number */
    bool files_may_be_away;  /* where everything was measured before, the measures are enough */
};

struct judgement {
    struct store *store; /* borrowed */
    struct stack_info info;
    int32_t frames;
    struct frame_row *rows;
    struct frame_measure *measures; /* their heads alone where derived/ has them (measuring.h) */
    int32_t measured_now;           /* how many were not in derived/ */
    bool setup_known;               /* the stack holds its job and bench files: */
    struct job job;
    struct bench bench;
    bool plan_known; /* and what they plan: */
    struct plan plan;
    struct verdict verdict;
};

/* On success judgement_clear it.
 * errors  E_INPUT no frame yet, frames of different size, a picture that is none, or a region outside the
 * picture; what store.h says */
int judge_stack(struct store *, const struct judge_opts *, struct judgement *out, struct err *);
void judgement_clear(struct judgement *); /* NULL is fine */

/* The three sharpest frames at each place, of the whole picture; where_clear it. The store is open still. */
int judge_where(const struct judgement *, struct where_map *out, struct err *);

/* Of what the judgement's measures leave out; the store is open still. */
struct measure_source judge_source(const struct judgement *);

#endif
