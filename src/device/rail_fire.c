#include "device/rail.h"

#include <string.h>

static void tell(struct rail *r, struct axis_fire_answer *a)
{
    r->firing = false;
    if (r->base.fired) r->base.fired(r->base.fired_arg, a);
}

int rail_fire(struct axis *ax, int32_t half_ms, int32_t open_ms, struct err *why)
{
    struct rail *r = (struct rail *)ax;
    int rc = rail_only_at_rest(r, why, "fire a camera");
    if (rc) return rc;
    if (r->firing) return fail(why, E_STATE, "rail: one shutter release at a time; wait");
    rc = rail_ask(r, &(struct rail_request){"fire", 2, {half_ms, open_ms}}, why);
    if (rc) return rc;
    r->firing = true;
    r->fire_asked_us = sched_now_us(r->sched);
    return E_OK;
}

void rail_fire_answered(struct rail *r, struct rail_reply *reply)
{
    struct axis_fire_answer a = {AXIS_FIRED, reply->done_us, reply->done_us, {0}};
    int32_t ms, shots;
    if (reply->ok && wire_next_int(&reply->in, &ms) && wire_next_int(&reply->in, &shots))
        r->shots_before = shots;
    if (!reply->ok) {
        a.end = AXIS_FIRE_REFUSED;
        if (!strcmp(reply->reason, "range"))
            fail(&a.why, E_INPUT,
                 "rail: the controller refused to fire: the shutter would be held longer than it allows; set "
                 "shutter_ms higher with 'staddle axis set'");
        else
            fail(&a.why, E_STATE, "rail: the controller refused to fire (%s): %s", reply->reason,
                 rail_refusal_text(reply->reason));
    }
    tell(r, &a);
}

void rail_fire_acted(struct rail *r, int64_t seen_us)
{
    struct axis_fire_answer a = {AXIS_FIRED, r->fire_asked_us, seen_us, {0}};
    if (r->firing) tell(r, &a);
}

void rail_fire_dropped(struct rail *r)
{
    struct axis_fire_answer a = {.end = AXIS_FIRE_REFUSED};
    fail(&a.why, E_STATE, "rail: it was halted before the shutter was released");
    if (r->firing) tell(r, &a);
}

void rail_fire_unseen(struct rail *r, const struct err *why)
{
    struct axis_fire_answer a = {.end = AXIS_FIRE_UNSEEN, .why = *why};
    tell(r, &a);
}
