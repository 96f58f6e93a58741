#include "plan/within.h"

#include <stddef.h>

#include "base/units.h"
#include "optics/exposure.h"
#include "plan/plan.h"
#include "plan/slices.h"
#include "plan/timeline.h"

#define THIRDS_MOST 36 /* f/64 */

/* Total time with that many slices from mark to mark, before anything is rounded to counts. */
static int64_t total_us(const struct bench *b, const struct plan *own, int32_t inner)
{
    const int64_t spacing_nm = (own->far_nm - own->near_nm) / (inner - 1);
    const struct timeline_path path = {
        .near_nm = own->near_nm,
        .first_nm = own->near_nm - own->margin_near * spacing_nm,
        .last_nm = own->far_nm + own->margin_far * spacing_nm,
        .take_up_nm = own->travel.take_up_nm,
        .slices = inner + own->margin_near + own->margin_far,
    };
    struct plan_timeline t = own->timeline;
    const struct timeline_motion motion = timeline_motion(b);
    timeline_fill(&t, &path, &motion);
    return t.total_us;
}

/* The most slices for which each still is a place of its own. */
static int32_t most_inner(const struct plan *own)
{
    const int64_t counts =
        slices_counts_of(own->far_nm - own->near_nm, own->nm_per_count_num, own->nm_per_count_den);
    const int32_t room = PLAN_SLICES_MOST - own->margin_near - own->margin_far;
    return counts + 1 < room ? (int32_t)counts + 1 : room;
}

/* Few slices lie far apart, and so does the margin: does it still keep clear of the subject? */
static bool keeps_clear(const struct bench *b, const struct plan *own, int32_t inner)
{
    const int64_t depth_nm = own->far_nm - own->near_nm;
    const int64_t beyond_nm = depth_nm + own->margin_far * depth_nm / (inner - 1);
    return !b->axis.clearance_nm || beyond_nm < b->axis.clearance_nm;
}

static int too_short(const struct bench *b, const struct job *j, const struct plan *own, int64_t limit_us,
                     struct err *why)
{
    int32_t slices = own->slice_count;
    int64_t least_us = own->timeline.total_us;
    for (int32_t inner = 2; own->far_nm > own->near_nm && inner < PLAN_SLICES_MOST; inner++) {
        if (!keeps_clear(b, own, inner) || total_us(b, own, inner) >= least_us) continue;
        least_us = total_us(b, own, inner);
        slices = inner + own->margin_near + own->margin_far;
    }
    return fail(
        why, E_INPUT,
        "%s: %.4g s are too short: even %d slices, margin and all, take %.4g s; allow more, or shorten "
        "start_delay_s or settle_ms",
        j->path, s_from_us(limit_us), slices, s_from_us(least_us));
}

/* Time is not steady in the count (few slices far apart move far), so look from the most downward. */
static int find_finest(const struct bench *b, const struct job *j, const struct plan *own, int64_t limit_us,
                       struct plan *out, struct err *why)
{
    struct job tried = *j;
    tried.spacing_nm = 0;
    tried.overlap = -1;
    if (own->far_nm == own->near_nm && own->timeline.total_us <= limit_us)
        return plan_make(b, j, out, NULL, why);
    for (int32_t inner = own->far_nm > own->near_nm ? most_inner(own) : 0; inner >= 2; inner--) {
        if (total_us(b, own, inner) > limit_us || !keeps_clear(b, own, inner)) continue;
        tried.slices = inner;
        int rc = plan_make(b, &tried, out, NULL, why);
        if (rc || out->timeline.total_us <= limit_us) return rc;
        plan_clear(out); /* a hair too long once rounded */
    }
    return too_short(b, j, own, limit_us, why);
}

static bool fits(const struct bench *b, const struct job *j, int64_t limit_us)
{
    struct plan p;
    if (plan_make(b, j, &p, NULL, NULL)) return false;
    const bool yes = p.timeline.total_us <= limit_us;
    plan_clear(&p);
    return yes;
}

/* The first slice's settle may hide in the start delay, so try both counts. */
static int64_t settle_that_fits(const struct bench *b, const struct job *j, const struct plan *own,
                                int64_t limit_us)
{
    const int64_t over_us = own->timeline.total_us - limit_us;
    struct job tried = *j;
    for (int64_t settles = own->slice_count; settles <= own->slice_count + 1;
         settles++) { /* and the closing one */
        tried.settle_us = own->timeline.settle_us - (over_us + settles - 1) / settles;
        tried.settle_us -= tried.settle_us % US_PER_MS; /* a number to write down */
        if (tried.settle_us >= 0 && fits(b, &tried, limit_us)) return tried.settle_us;
    }
    return -1;
}

/* The next marks, a third of a stop apart, until the rule's spacing is wide enough. */
static double aperture_that_fits(const struct bench *b, const struct job *j, int64_t limit_us)
{
    struct bench tried = *b;
    double *const n = b->lens.f_number > 0 ? &tried.lens.f_number : &tried.lens.effective_f_number;
    if (!(*n > 0) || j->spacing_nm || j->slices) return -1; /* an objective's aperture is what it is */
    for (int k = exposure_f_number_third(*n) + 1; k <= THIRDS_MOST; k++) {
        *n = exposure_f_number_mark(k);
        if (fits(&tried, j, limit_us)) return *n;
    }
    return -1;
}

/* Whole gaps at the plan's own spacing: the more, the longer it takes. */
static int64_t depth_that_fits(const struct bench *b, const struct job *j, const struct plan *own,
                               int64_t limit_us)
{
    struct job tried = *j;
    int32_t lo = 0, hi = own->slice_count - own->margin_near - own->margin_far - 1; /* hi takes too long */
    tried.slices = 0;
    tried.overlap = -1;
    tried.spacing_nm = own->spacing_nm;
    while (hi - lo > 1) {
        const int32_t gaps = (lo + hi) / 2;
        tried.far_nm = j->far_nm - own->far_nm + own->near_nm + gaps * own->spacing_nm;
        *(fits(b, &tried, limit_us) ? &lo : &hi) = gaps;
    }
    return lo ? lo * own->spacing_nm : -1;
}

int within_find(const struct bench *b, const struct job *j, const struct plan *own, int64_t limit_us,
                struct within *out, struct err *why)
{
    struct within w = {
        .limit_us = limit_us, .job_fits = own->timeline.total_us <= limit_us, .ways = {-1, -1, -1}};
    int rc = find_finest(b, j, own, limit_us, &w.finest, why);
    if (rc) return rc;
    if (!w.job_fits) {
        w.ways.settle_us = settle_that_fits(b, j, own, limit_us);
        w.ways.f_number = aperture_that_fits(b, j, limit_us);
        w.ways.depth_nm = depth_that_fits(b, j, own, limit_us);
    }
    *out = w;
    return E_OK;
}
