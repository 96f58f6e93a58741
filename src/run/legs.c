/* legs.c - how the axis goes from place to place, and when nothing rings any more after that.
 *
 * A leg short enough goes by the plan's shape, which the controller is told once, after homing; any other by
 * its ramp. Each leg leaves a moment until which it may ring; where two follow each other, the later moment
 * counts. */
#include "plan/shaper.h"
#include "run/loop_state.h"

static bool foresees(const struct loop *l)
{
    const struct plan_timeline *t = &l->opts.plan->timeline;
    return t->ring.hz > 0 && !t->settle_given;
}

void legs_prepare(struct loop *l)
{
    const struct plan_shape *s = &l->opts.plan->timeline.shape;
    const struct axis_ops *ops = l->rig->axis->ops;
    struct axis_slot slots[AXIS_SLOTS_MOST];
    struct err why = {0};
    l->still_at_us = loop_now(l) + l->opts.plan->timeline.ramp_settle_us; /* nobody knows how it came here */
    l->shape_told = false;
    if (s->kind == SHAPER_NONE || !(ops->caps & AXIS_SHAPES) || !ops->shape || !ops->move_shaped) return;
    for (int i = 0; i < s->slot_count; i++)
        slots[i] = (struct axis_slot){s->slots[i].us, s->slots[i].share};
    if (axis_shape(l->rig->axis, slots, s->slot_count, &why))
        loop_fault(l, &why);
    else
        l->shape_told = true;
}

int legs_go(struct loop *l, int64_t target, struct err *why)
{
    const struct timeline_motion m = timeline_motion(l->opts.bench);
    l->moving_from = l->axis.position_counts;
    l->move_target = target;
    l->shaped = l->shape_told && shaper_takes(&m, &l->opts.plan->timeline.shape, target - l->moving_from);
    return l->shaped ? axis_move_shaped(l->rig->axis, target, why) : axis_move_to(l->rig->axis, target, why);
}

void legs_arrived(struct loop *l)
{
    const struct plan_timeline *t = &l->opts.plan->timeline;
    const struct timeline_motion m = timeline_motion(l->opts.bench);
    const int64_t way = l->move_target - l->moving_from;
    if (!foresees(l) || !way) return;
    const int64_t at_us =
        l->axis.rest_at_us + shaper_wait_us(&m, &t->ring, t->budget_nm, l->shaped ? &t->shape : NULL, way);
    if (at_us > l->still_at_us) l->still_at_us = at_us;
}

int64_t legs_still_at_us(const struct loop *l)
{
    if (!foresees(l)) return l->axis.rest_at_us + l->opts.plan->timeline.settle_us;
    return l->still_at_us > l->axis.rest_at_us ? l->still_at_us : l->axis.rest_at_us;
}
