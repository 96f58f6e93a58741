/* slices.h - where the slices lie, in whole counts of the axis. Integers only: no rounding error adds up, and
 * no floating-point hair makes one slice too many. This file is where nanometres and counts meet. */
#ifndef STADDLE_PLAN_SLICES_H
#define STADDLE_PLAN_SLICES_H

#include "base/err.h"
#include "staddle/bench.h"
#include "staddle/plan.h"

/* Slices from mark to mark, both included, at most `spacing_nm` apart: ceil(depth / spacing) + 1. */
int64_t slices_needed(int64_t depth_nm, int64_t spacing_nm);

/* num/den nanometres a count, in lowest terms: lead over steps times microsteps. */
void slices_count_length(const struct axis_spec *, int64_t *num, int64_t *den);

int64_t slices_counts_of(int64_t position_nm, int64_t num,
                         int64_t den);                          /* nearest; halves go away from zero */
int64_t slices_nm_of(int64_t counts, int64_t num, int64_t den); /* nearest */

struct slices_spec {
    int64_t near_nm, far_nm;
    int32_t inner;      /* from mark to mark, at least 1 */
    int64_t spacing_nm; /* used only where the marks are one place and give none */
    int32_t margin_near, margin_far;
    int64_t num, den;
};

/* `out` has room for inner + margins. E_INPUT (without a place) when two slices would be the same count. */
int slices_lay(const struct slices_spec *, struct plan_slice *out, struct err *);

#endif
