#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "device/rail.h"

#define SHAPE_ID 1

/* --- the queue of requests --- */

bool rail_is(const struct rail_request *q, const char *word)
{
    return !strcmp(q->word, word);
}

bool rail_moves(const struct rail_request *q)
{
    return rail_is(q, "go") || rail_is(q, "jog") || rail_is(q, "find");
}

bool rail_phase_pending(const struct rail *r)
{
    for (int i = 0; i < r->queued; i++)
        if (rail_moves(&r->queue[i]) || rail_is(&r->queue[i], "clear") || rail_is(&r->queue[i], "here"))
            return true;
    return false;
}

void rail_ask_next(struct rail *r)
{
    if (r->asked || !rail_line_idle(r->line) || !r->queued) return;
    r->asked = true;
    rail_line_ask(r->line, &r->queue[0]);
}

int rail_ask(struct rail *r, const struct rail_request *q, struct err *why)
{
    if (r->queued >= RAIL_QUEUE_MOST) /* one more when a state had to go first */
        return fail(why, E_STATE, "rail: too much asked at once; wait for what was asked before");
    r->queue[r->queued++] = *q;
    rail_ask_next(r);
    return E_OK;
}

void rail_pop(struct rail *r)
{
    memmove(r->queue, r->queue + 1, (size_t)--r->queued * sizeof *r->queue);
}

void rail_ask_state(struct rail *r)
{
    rail_ask(r, &(struct rail_request){.word = "state"}, NULL);
}

/* --- what the caller asks --- */

static struct rail *rail_of(struct axis *ax)
{
    return (struct rail *)ax;
}

int rail_only_at_rest(struct rail *r, struct err *why, const char *what)
{
    if (r->st.phase == AXIS_GONE || r->look_only) {
        if (why) *why = r->st.why;
        return r->st.why.code;
    }
    if (r->st.phase != AXIS_REST || rail_phase_pending(r))
        return fail(why, E_STATE, "rail: it cannot %s while it is %s; wait, or clear it first", what,
                    axis_phase_text(r->st.phase));
    return E_OK;
}

static int start(struct rail *r, struct err *why, const struct rail_request *q, enum axis_phase phase)
{
    struct axis_state was = r->st;
    r->st.phase = phase;
    r->st.rest_at_us = SCHED_NEVER;
    int rc = rail_ask(r, q, why);
    if (rc) r->st = was;
    return rc;
}

static int go(struct rail *r, int64_t target, int32_t shape, struct err *why)
{
    const struct axis_rail_opts *o = &r->opts;
    int rc = rail_only_at_rest(r, why, "move");
    if (rc) return rc;
    if (r->st.known == AXIS_UNKNOWN)
        return fail(why, E_STATE, "rail: it does not know where it stands; home it first");
    if (target < -WIRE_FURTHEST || target > WIRE_FURTHEST)
        return fail(why, E_INPUT, "rail: a target of %lld counts is too far; at most %d either way",
                    (long long)target, WIRE_FURTHEST);
    if ((o->lo_counts || o->hi_counts) && (target < o->lo_counts || target > o->hi_counts))
        return fail(why, E_INPUT, "rail: a target of %lld counts lies outside its limits, %lld to %lld",
                    (long long)target, (long long)o->lo_counts, (long long)o->hi_counts);
    rc = start(r, why, &(struct rail_request){"go", 2, {(int32_t)target, shape}}, AXIS_MOVING);
    if (!rc) r->st.target_counts = target;
    return rc;
}

static int rail_move_to(struct axis *ax, int64_t target_counts, struct err *why)
{
    return go(rail_of(ax), target_counts, 0, why);
}

static int rail_move_shaped(struct axis *ax, int64_t target_counts, struct err *why)
{
    return go(rail_of(ax), target_counts, SHAPE_ID, why);
}

static int rail_jog(struct axis *ax, int64_t distance_counts, struct err *why)
{
    struct rail *r = rail_of(ax);
    int rc = rail_only_at_rest(r, why, "jog");
    if (rc) return rc;
    if (distance_counts < -WIRE_FURTHEST || distance_counts > WIRE_FURTHEST)
        return fail(why, E_INPUT, "rail: a distance of %lld counts is too far", (long long)distance_counts);
    return start(r, why, &(struct rail_request){"jog", 2, {(int32_t)distance_counts, 0}}, AXIS_MOVING);
}

static int rail_home(struct axis *ax, struct err *why)
{
    struct rail *r = rail_of(ax);
    int rc = rail_only_at_rest(r, why, "find its zero");
    return rc ? rc : start(r, why, &(struct rail_request){"find", 1, {0}}, AXIS_FINDING);
}

static int rail_poll(struct axis *ax, struct axis_state *out, struct err *why)
{
    (void)why;
    const struct rail *r = rail_of(ax);
    *out = r->st;
    out->asking = r->queued > 0;
    return E_OK;
}

static int rail_halt(struct axis *ax, struct err *why)
{
    struct rail *r = rail_of(ax);
    if (r->st.phase == AXIS_GONE) {
        if (why) *why = r->st.why;
        return r->st.why.code;
    }
    if (r->asked && r->queued && !rail_is(&r->queue[0], "fire")) rail_fire_dropped(r);
    if (!r->asked) rail_fire_dropped(r);
    r->queued = r->asked ? 1 : 0; /* what waits is not sent any more; what is on the line stays */
    r->lost = false;
    r->halting = true;
    rail_line_halt(r->line);
    if (r->st.phase != AXIS_GONE) rail_plan_poll(r);
    return E_OK;
}

static int rail_clear(struct axis *ax, struct err *why)
{
    struct rail *r = rail_of(ax);
    if (r->st.phase == AXIS_REST) return E_OK;
    if (r->st.phase != AXIS_STOPPED && r->st.phase != AXIS_ALARM)
        return rail_only_at_rest(r, why, "be cleared");
    if (r->look_only) return rail_only_at_rest(r, why, "be cleared");
    return rail_ask(r, &(struct rail_request){.word = "clear"}, why);
}

static int rail_limits(struct axis *ax, int64_t lo_counts, int64_t hi_counts, struct err *why)
{
    struct rail *r = rail_of(ax);
    int rc = rail_only_at_rest(r, why, "take limits");
    if (rc) return rc;
    if (lo_counts < -WIRE_FURTHEST || hi_counts > WIRE_FURTHEST)
        return fail(why, E_INPUT, "rail: limits of %lld to %lld counts are too far; at most %d either way",
                    (long long)lo_counts, (long long)hi_counts, WIRE_FURTHEST);
    rc = rail_ask(r, &(struct rail_request){"limit", 2, {(int32_t)lo_counts, (int32_t)hi_counts}}, why);
    if (rc) return rc;
    r->opts.lo_counts = lo_counts;
    r->opts.hi_counts = hi_counts;
    return E_OK;
}

static int rail_here(struct axis *ax, int64_t position_counts, struct err *why)
{
    struct rail *r = rail_of(ax);
    int rc = rail_only_at_rest(r, why, "be told where it stands");
    if (rc) return rc;
    if (position_counts < -WIRE_FURTHEST || position_counts > WIRE_FURTHEST)
        return fail(why, E_INPUT, "rail: a position of %lld counts is too far", (long long)position_counts);
    return rail_ask(r, &(struct rail_request){"here", 1, {(int32_t)position_counts}}, why);
}

static int rail_shape(struct axis *ax, const struct axis_slot *slots, int count, struct err *why)
{
    struct rail *r = rail_of(ax);
    int rc = rail_only_at_rest(r, why, "take a shape");
    if (rc) return rc;
    if (r->queued + count > RAIL_QUEUE_MOST) return fail(why, E_STATE, "rail: too much asked at once");
    for (int i = 0; i < count; i++)
        if (slots[i].us < 100 || slots[i].us > 1000000)
            return fail(why, E_INPUT, "rail: slot %d of the shape lasts %lld us; 100 to 1000000 can be done",
                        i, (long long)slots[i].us);
    for (int i = 0; i < count; i++)
        rail_ask(
            r,
            &(struct rail_request){
                "shape", 4, {SHAPE_ID, i, (int32_t)(slots[i].us * (WIRE_TICK_HZ / 1000000)), slots[i].share}},
            NULL);
    return E_OK;
}

static int rail_hold(struct axis *ax, enum axis_hold level, struct err *why)
{
    struct rail *r = rail_of(ax);
    bool stands = r->st.phase == AXIS_STOPPED || r->st.phase == AXIS_ALARM;
    int rc = stands && !r->look_only ? E_OK : rail_only_at_rest(r, why, "change its holding current");
    return rc ? rc : rail_ask(r, &(struct rail_request){"hold", 1, {(int32_t)level}}, why);
}

static int rail_drop(struct axis *ax, struct err *why)
{
    struct rail *r = rail_of(ax);
    if (r->st.phase == AXIS_GONE) return rail_only_at_rest(r, why, "release its outputs");
    int rc = rail_ask(r, &(struct rail_request){.word = "drop"}, why);
    if (!rc) r->telling = true;
    return rc;
}

/* Moves nothing, so an alarm is no hindrance: a controller that was never set up is in one. */
static int rail_key(struct axis *ax, enum axis_key_do what, int key, int32_t value, struct err *why)
{
    static const struct rail_request REQUESTS[] = {[AXIS_KEY_READ] = {.word = "read", .args = 1},
                                                   [AXIS_KEY_SET] = {.word = "set", .args = 2},
                                                   [AXIS_KEY_SAVE] = {.word = "save"}};
    struct rail *r = rail_of(ax);
    struct rail_request q = REQUESTS[what];
    const bool calm = r->st.phase == AXIS_REST || r->st.phase == AXIS_STOPPED || r->st.phase == AXIS_ALARM;
    if (!calm || r->look_only || rail_phase_pending(r))
        return rail_only_at_rest(r, why, "be asked for parameters");
    if (r->key.waiting) return fail(why, E_STATE, "rail: one parameter at a time");
    q.arg[0] = key;
    q.arg[1] = value;
    int rc = rail_ask(r, &q, why);
    if (!rc) r->key = (struct axis_key_state){.waiting = true};
    return rc;
}

static void rail_key_look(const struct axis *ax, struct axis_key_state *out)
{
    *out = ((const struct rail *)ax)->key;
}

/* What was asked before is forgotten; what opts say is told once more. */
static int reach_again(struct rail *r, struct err *why)
{
    struct link *link;
    if (!r->opts.reopen) return r->st.why.code ? rail_only_at_rest(r, why, "be reached again") : E_OK;
    rail_line_unplug(r->line);
    int rc = r->opts.reopen(r->opts.reopen_arg, &link, why);
    if (rc) return rc;
    r->queued = 0;
    r->telling = r->asked = r->lost = r->halting = r->cleared = r->started = false;
    r->st.phase = AXIS_STARTING;
    r->st.rest_at_us = SCHED_NEVER;
    rail_line_again(r->line, link);
    return E_OK;
}

static int rail_again(struct axis *ax, struct err *why)
{
    struct rail *r = rail_of(ax);
    if (r->look_only) return rail_only_at_rest(r, why, "be reached again");
    if (r->st.phase == AXIS_GONE) return reach_again(r, why);
    r->st.phase = AXIS_STARTING;
    return rail_ask(r, &(struct rail_request){.word = "state"}, why);
}

/* The shutter contacts are let go on every way out. Where a request is under way there is only the halt,
 * which does that, too. */
static void let_go(struct rail *r)
{
    bool moves = r->st.phase == AXIS_MOVING || r->st.phase == AXIS_FINDING;
    if (r->st.phase == AXIS_GONE) return;
    if (!moves && rail_line_idle(r->line))
        rail_line_ask(r->line, &(struct rail_request){.word = "drop"});
    else if (moves)
        rail_line_halt(r->line);
}

static void rail_close(struct axis *ax)
{
    if (!ax) return;
    struct rail *r = rail_of(ax);
    r->base.notice = NULL;
    let_go(r);
    sched_cancel(r->sched, r->poll_timer);
    rail_line_close(r->line);
    mem_free(r);
}

static const struct axis_ops RAIL_OPS = {
    .name = "the rail",
    .caps = AXIS_HOMES | AXIS_ABSOLUTE | AXIS_LIMITS | AXIS_SHAPES,
    .move_to = rail_move_to,
    .poll = rail_poll,
    .halt = rail_halt,
    .clear = rail_clear,
    .home = rail_home,
    .limits = rail_limits,
    .close = rail_close,
    .jog = rail_jog,
    .here = rail_here,
    .shape = rail_shape,
    .move_shaped = rail_move_shaped,
    .hold = rail_hold,
    .drop = rail_drop,
    .key = rail_key,
    .key_look = rail_key_look,
    .again = rail_again,
    .fire = rail_fire,
};

int axis_rail_open(struct sched *sched, struct link *link, const struct axis_rail_opts *opts,
                   struct axis **out, struct err *why)
{
    struct rail *r = mem_new(1, sizeof *r, why);
    if (!r) {
        link->ops->close(link);
        return E_NOMEM;
    }
    r->base.ops = &RAIL_OPS;
    r->sched = sched;
    r->opts = *opts;
    snprintf(r->port, sizeof r->port, "%s", opts->port ? opts->port : "the rail's port");
    r->st.uncertainty_counts = WIRE_FURTHEST;
    r->st.nonce = -1;
    struct rail_line_user user = rail_picture_user(r);
    r->line = rail_line_open(sched, link, r->port, opts->baud, &user, why);
    if (!r->line) {
        enum errc code = why ? why->code : E_IO;
        mem_free(r);
        return code;
    }
    *out = &r->base;
    return E_OK;
}

void axis_rail_get_counts(const struct axis *ax, struct axis_rail_counts *out)
{
    const struct rail_line_counts *c = rail_line_get_counts(((const struct rail *)ax)->line);
    *out = (struct axis_rail_counts){c->sent, c->repeated, c->resynchronised, c->damaged};
}
