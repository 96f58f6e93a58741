/* calibrate_ways.c - which moves lose steps: each kind by itself, out at full speed, back so slowly that
 * nothing is lost, and a picture of the middle held against the first sweep (image/sweep_place.c).
 *
 *   middle --way--> there --creep--> before the middle --creep--> middle, a picture
 *
 * Forth and back must be looked at one by one: a motor that is too weak loses as much one way as the other,
 * and stands at the right place again after both.
 *
 *  1. What was lost is put right at once, so that the limits are those of the true place. Until then it can
 *     stand too deep by one way at most, and no way begins from farther than the middle: room for that was
 *     asked for before anything moved.
 *  2. A lens's motor loses nothing by being fast: it comes back in one go, its many small steps being slow.
 */
#include <math.h>
#include <stdlib.h>

#include "base/units.h"
#include "run/calibrate_part.h"

#define SLICES     8 /* moves as from slice to slice, one after the other: little adds up; our choice */
#define SLICE      4 /* steps of a sweep: about a slice */
#define STILL      3 /* times as long as before a picture; our choice */
#define LOOKS_MOST 4 /* until it stands where it should */
#define SURE       4 /* sigma; our choice */

static int64_t middle_nm(const struct calibrating *c)
{
    return calibrate_at_nm(c, CALIBRATE_FRAMES / 2);
}

int calibrate_creep(struct calibrating *c, int64_t to_nm, struct err *why)
{
    struct axis_session *s = c->axis;
    int rc = E_OK;
    if (s->rig->axis->ops->caps & AXIS_BY_PICTURE) return axis_session_go(s, to_nm, why);
    for (bool there = false; !there && !rc;) {
        const int64_t at = axis_session_nm(s, s->state.position_counts), left = to_nm - at;
        there = llabs(left) <= c->step_nm;
        rc = axis_session_go(s, there ? to_nm : at + (left > 0 ? c->step_nm : -c->step_nm), why);
    }
    return rc;
}

/* Creeps to the middle from the near side, and tells how far off it is: shift as image/sweeps.h has it. False
 * in `seen` where nothing can be told. */
static int look_at_middle(struct calibrating *c, bool *seen, struct sweep_seen *off, struct err *why)
{
    struct sweep one = {0};
    struct err unseen;
    int rc = calibrate_creep(c, middle_nm(c) - c->take_nm, why);
    if (!rc) rc = calibrate_creep(c, middle_nm(c) - c->step_nm, why);
    const bool rail = !(c->axis->rig->axis->ops->caps & AXIS_BY_PICTURE);
    for (int i = 0; rail && i < STILL && !rc; i++) /* many short moves can ring it like a bell */
        rc = calibrate_wait(c, why);
    if (!rc) rc = axis_session_go(c->axis, middle_nm(c), why); /* and the last is as it was in the sweep */
    if (!rc) rc = calibrate_look(c, &one, 0, why);
    if (!rc) {
        one.first = (double)middle_nm(c);
        rc = sweep_place(&c->sweeps[0], &one, 0, off, &unseen);
        *seen = !rc;
        if (rc == E_INPUT) rc = E_OK;
        if (rc && why) *why = unseen;
    }
    sweep_clear(&one);
    return rc;
}

/* A way went so much too short: the axis stands that much nearer than it counts, or deeper where negative. */
static int put_right(struct calibrating *c, double near_nm, struct err *why)
{
    const int64_t at = axis_session_nm(c->axis, c->axis->state.position_counts);
    if (!axis_session_counts(c->axis, llround(near_nm))) return E_OK;
    c->corrected_nm += near_nm;
    return axis_session_here(c->axis, at - llround(near_nm), why);
}

/* What is off now against before; in `w` as what the way went short. */
static int judge_way(struct calibrating *c, struct calibration_way *w, struct sweep_seen *before,
                     struct err *why)
{
    struct sweep_seen now;
    double off = 0;
    int rc = E_OK;
    for (int looks = 0; looks < LOOKS_MOST && !rc; looks++) {
        rc = look_at_middle(c, &w->seen, &now, why);
        if (rc || !w->seen) return rc;
        const double more = now.shift - before->shift,
                     sure = SURE * hypot(now.uncertainty, before->uncertainty);
        if (!now.beyond && (fabs(more) < (double)c->step_nm || fabs(more) < sure)) {
            off += more;
            w->short_nm = w->forth ? off : -off;
            w->uncertainty_nm = hypot(now.uncertainty, before->uncertainty);
            *before = now;
            return E_OK;
        }
        off += more;
        rc = put_right(c, more, why);
    }
    w->seen = false; /* it never comes to stand where it should */
    return rc;
}

static int go_way(struct calibrating *c, const struct calibration_way *w, struct err *why)
{
    const int64_t length = w->forth ? w->length_nm : -w->length_nm;
    int rc = E_OK;
    for (int32_t i = 1; i <= w->times && !rc; i++)
        rc = axis_session_go(c->axis, middle_nm(c) + i * length, why);
    return rc;
}

int calibrate_ways(struct calibrating *c, struct err *why)
{
    const int64_t farthest_nm = c->way_nm + CALIBRATE_FRAMES / 2 * c->step_nm, slice_nm = SLICE * c->step_nm;
    const struct calibration_way slices = {.length_nm = slice_nm,
                                           .times = SLICES * slice_nm < farthest_nm
                                                        ? SLICES
                                                        : (int32_t)(farthest_nm / slice_nm)},
                                 taking_up = {.length_nm = c->take_nm, .times = 1},
                                 farthest = {.length_nm = farthest_nm, .times = 1},
                                 kinds[CALIBRATE_WAYS / 2] = {slices, taking_up, farthest, farthest};
    struct sweep_seen before;
    bool seen;
    int rc = look_at_middle(c, &seen, &before, why);
    if (rc || !seen || before.beyond) return rc;
    c->before_nm = before.shift;
    for (int32_t i = 0; i < c->ways_wanted && !rc; i++) {
        struct calibration_way *w = &c->ways[i];
        *w = kinds[(CALIBRATE_WAYS - c->ways_wanted + i) / 2];
        w->forth = i % 2 == 0; /* what is lost so leaves it farther from the subject */
        c->way_count = i + 1;
        rc = go_way(c, w, why);
        if (!rc) rc = judge_way(c, w, &before, why);
        if (!w->seen) break;
    }
    return rc;
}
