/* What a kept frame has to do with its neighbours. The shift against the slice before can be had once both
 * are kept, in whatever order that came about; then the frame's cells go to derived/ and views that nobody
 * needs any more go. */
#include <math.h>

#include "base/mem.h"
#include "run/loop_state.h"

#define DRIFT_PX    2.0  /* the blur limit: our choice */
#define DRIFT_STOPS 0.15 /* a tenth of the light; our choice */

static bool has_view(const struct slot *s)
{
    return s->picture && s->picture->view;
}

/* Kept in an earlier run: its view will never come. */
static bool is_past(const struct slot *s)
{
    return s->state == SLOT_KEPT && !s->picture;
}

static void start_pair(struct loop *l, int32_t i, struct picture *before)
{
    l->slots[i].told = true;
    struct job_work *j = job_new(l, JOB_PAIR, NULL);
    if (j) {
        j->slot = i;
        j->picture = picture_hold(l->slots[i].picture);
        j->before = picture_hold(before);
    }
    job_start(l, j);
}

/* Slice i against slice i - 1, if both are there. */
static void try_pair(struct loop *l, int32_t i)
{
    struct slot *s = &l->slots[i];
    if (i < 0 || i >= l->slot_count || s->told || !has_view(s)) return;
    if (i == 0)
        start_pair(l, i, NULL);
    else if (has_view(&l->slots[i - 1]))
        start_pair(l, i, l->slots[i - 1].picture);
    else if (is_past(&l->slots[i - 1]))
        s->told = true; /* check measures it again, with its neighbour */
}

static void try_drop(struct loop *l, int32_t i)
{
    if (i < 0 || i >= l->slot_count) return;
    struct slot *s = &l->slots[i];
    bool next_done = i + 1 == l->slot_count || l->slots[i + 1].told || is_past(&l->slots[i + 1]);
    bool for_closing = i == 0 && l->closing_wanted;
    if (!s->picture || !s->told || !next_done || for_closing) return;
    picture_drop(s->picture);
    s->picture = NULL;
}

static void compare_closing(struct loop *l, struct picture *closing)
{
    struct picture *first = l->slots[0].picture;
    struct run_closing *c = &l->result.closing;
    c->done = true;
    if (!first) return; /* of an earlier run: check compares the files */
    c->light_stops = log2((closing->measure.mean_linear + 1e-9) / (first->measure.mean_linear + 1e-9));
    struct job_work *j = job_new(l, JOB_PAIR, NULL);
    if (j) {
        j->slot = l->slot_count;
        j->picture = picture_hold(closing);
        j->before = picture_hold(first);
    }
    job_start(l, j);
}

void neighbours_look(struct loop *l, int32_t slot)
{
    if (slot == l->slot_count) {
        compare_closing(l, l->slots[slot].picture);
        return;
    }
    if (compare_of(l, slot) >= 0) {
        compare_kept(l, slot);
        return;
    }
    try_pair(l, slot);
    try_pair(l, slot + 1);
    for (int32_t i = slot - 1; i <= slot + 1; i++)
        try_drop(l, i);
}

static void judge_closing(struct loop *l, const struct frame_shift *s)
{
    struct run_closing *c = &l->result.closing;
    c->shift_known = s->trust == SHIFT_GOOD || s->trust == SHIFT_WEAK;
    c->dx_px = (double)s->dx_px;
    c->dy_px = (double)s->dy_px;
    c->scale = (double)s->scale;
    double px = hypot(c->dx_px, c->dy_px);
    if (c->shift_known && px > DRIFT_PX)
        loop_note(l, "drift", "Something moved while it was shot: look at the clamps before the next stack.",
                  l->slot_count, "the closing frame lies %.1f px beside the first slice", px);
    if (fabs(c->light_stops) > DRIFT_STOPS)
        loop_note(l, "light-drift", "Let the lamp warm up, or keep daylight out.", l->slot_count,
                  "the closing frame is %.2f stops %s than the first slice", fabs(c->light_stops),
                  c->light_stops < 0 ? "darker" : "brighter");
}

void neighbours_work_done(struct loop *l, struct job_work *j)
{
    if (j->base.kind != JOB_PAIR || j->rc)
        return; /* derived/ is a cache: what is missing is measured again */
    bool closing = j->slot == l->slot_count;
    if (closing) {
        judge_closing(l, &j->picture->measure.shift);
        l->closing_wanted = false;
        try_drop(l, 0);
    }
    struct job_work *next = job_new(l, JOB_DERIVED, NULL);
    if (!next) return;
    next->files[next->file_count++] = j->picture->file;
    if (j->before) next->files[next->file_count++] = j->before->file;
    next->bytes = j->bytes;
    next->byte_count = j->byte_count;
    j->bytes = NULL;
    job_start(l, next);
}

void neighbours_drop(struct loop *l)
{
    for (int32_t i = 0; i <= l->slot_count + l->past_count; i++) {
        picture_drop(l->slots[i].picture);
        l->slots[i].picture = NULL;
    }
}
