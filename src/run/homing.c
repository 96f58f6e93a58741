/* homing.c - the first lane: what the axis is found in, the zero found anew where that is needed, and the
 * limits of this run told to it. */
#include "run/loop_state.h"
#include "run/resume.h"

#include <string.h>

static void home_found(struct loop *l)
{
    struct err why = {0};
    l->home_counts = bench_home_counts(l->rig, l->axis.position_counts);
    l->homing = HOMING_PLACING;
    if (axis_here(l->rig->axis, l->home_counts, &why)) loop_fault(l, &why);
}

static void set_limits(struct loop *l)
{
    struct err why = {0};
    int64_t lo = l->slots[0].target_counts, hi = lo;
    for (int32_t i = 0; i < l->slot_count; i++) {
        int64_t at = l->slots[i].target_counts;
        if (at < lo) lo = at;
        if (at > hi) hi = at;
    }
    if (!(l->rig->axis->ops->caps & AXIS_LIMITS)) return;
    lo -= l->take_up_counts;
    if (l->home_counts < lo) lo = l->home_counts;
    if (axis_limits(l->rig->axis, lo, hi, &why)) loop_fault(l, &why);
}

/* An axis without a zero of its own: a person reads its scale, the picture tells, or it refuses to go
 * anywhere. */
static void begin_unhomed(struct loop *l)
{
    if ((l->rig->axis->ops->caps & AXIS_BY_PICTURE) && l->axis.known == AXIS_UNKNOWN) {
        l->homing = HOMING_BY_PICTURE;
        refind_begin(l);
        return;
    }
    l->home_counts = l->slots[0].target_counts;
    set_limits(l);
    l->engaged_counts = 0;
    loop_enter(l, LANE_CHOOSING);
}

/* What the axis is found in decides what is to be done first: the table in resume.c. */
static void wake(struct loop *l)
{
    struct err why = {0};
    if (l->axis.phase != AXIS_REST && l->axis.phase != AXIS_STOPPED) return;
    switch (resume_position(&l->axis, l->past_nonce, l->past_reached)) {
    case RESUME_GO_ON:
        take_doubt_over(l, true);
        if (take_exposing(l)) return; /* the shutter may be open still */
        l->home_counts = l->axis.position_counts;
        set_limits(l);
        legs_prepare(l);
        l->engaged_counts = 0;
        loop_enter(l, LANE_CHOOSING);
        return;
    case RESUME_CLEAR:
        take_doubt_over(l, false);
        if (!l->woken && axis_clear(l->rig->axis, &why)) loop_fault(l, &why);
        l->woken = true;
        l->woken_why = l->axis.why;
        return;
    case RESUME_ASK_A_PERSON: /* loop_look_at_axis has said so */
        return;
    case RESUME_HOME:
        take_doubt_over(l, l->rig->axis->ops->caps & AXIS_BY_PICTURE); /* it moves by orders only */
        if (!(l->rig->axis->ops->caps & AXIS_HOMES)) {
            begin_unhomed(l);
            return;
        }
        loop_tell(l, "homing");
        l->homing = HOMING_FINDING;
        if (axis_home(l->rig->axis, &why)) loop_fault(l, &why);
        loop_look_at_axis(l);
    }
}

void homing_step(struct loop *l)
{
    if (l->pausing && l->axis.phase != AXIS_FINDING) {
        loop_enter(l, LANE_ENDING);
        return;
    }
    if (l->homing == HOMING_WAKING) {
        wake(l);
        if (l->homing != HOMING_BY_PICTURE) return;
    }
    if (l->axis.phase != AXIS_REST) return;
    switch (l->homing) {
    case HOMING_WAKING:
        return;
    case HOMING_BY_PICTURE:
        if (!refind_step(l) || l->axis.known == AXIS_UNKNOWN) return;
        l->home_counts = l->slots[0].target_counts;
        set_limits(l);
        loop_enter(l, LANE_CHOOSING);
        return;
    case HOMING_FINDING:
        if (l->axis.known == AXIS_KNOWN) home_found(l);
        return;
    case HOMING_PLACING:
        if (l->axis.position_counts != l->home_counts) return;
        set_limits(l);
        legs_prepare(l);
        l->engaged_counts = 0;
        loop_enter(l, LANE_CHOOSING);
    }
}
