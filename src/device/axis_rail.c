/* The rail as an axis. What the caller asks becomes requests in a queue, sent one after the other; in between
 * the state is asked for, and what it says becomes the picture that poll shows.
 *
 *     hello -> state -> set, limit (what opts say) -> REST -- go, jog --> MOVING  -- state --> REST
 *                                                         \- find ------> FINDING -- state --> REST
 *     halt, a refusal, a restart of the controller -> STOPPED -- clear --> REST          alarm -> ALARM --
 * clear --> REST
 *
 *  1. While a request that starts or ends motion waits, a state that was read before it does not change the
 * phase.
 *  2. A request that was lost is asked for again, unless state shows that it has acted (target).
 *  3. The phase is REST only when the controller said so, and said so after the last request. */
#include "device/axis_rail.h"

#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "device/rail_line.h"

#define QUEUE_MOST      24
#define POLL_MOVING_US  100000
#define POLL_REST_US    500000
#define POLL_HALTING_US 10000
#define POLL_OVERDUE_US 2000
#define POLL_MARGIN_US  60 /* the scheduler's microsecond, the controller's tick, a byte's rounding */
#define SHAPE_ID        1
#define COUNTED_UNSURE  32 /* two full steps at 16 microsteps: where an unpowered rotor may fall to */

struct rail {
    struct axis base;
    struct sched *sched;
    struct rail_line *line;
    struct axis_rail_opts opts;
    char port[64];
    struct axis_state st;
    struct rail_request queue[QUEUE_MOST]; /* the first one is on the line when `asked` */
    int queued;
    bool asked;
    bool started;          /* what opts say has been asked */
    bool lost;             /* the request behind the first was on the line when it had to be resynchronised */
    bool cleared;          /* clear was answered ok: what the host found wrong is over */
    bool halting;          /* until state says that it worked */
    bool look_only;        /* another major version */
    int32_t target_before; /* of the controller, by the last state */
    sched_id poll_timer;
};

static const struct rail_request STATE = {.word = "state"};

static const char *alarm_text(int32_t alarm)
{
    switch (alarm) {
    case WIRE_EMERGENCY:
        return "the emergency button is pressed; release it when all is well";
    case WIRE_BROKEN_WIRE:
        return "both end switches are open at once; look for a broken wire or a pulled plug";
    case WIRE_END_REACHED:
        return "it ran into an end switch; home it, and set limits";
    case WIRE_WRONG_SWITCH:
        return "the end switch behind it opened; the switches or the motor are wired the wrong way round";
    case WIRE_NOT_FOUND:
        return "it did not meet the end switch; is the switch connected, does the carriage move?";
    case WIRE_UNDERRUN:
        return "the controller could not keep up with the steps; go slower, and report this";
    case WIRE_NO_SETTINGS:
        return "the controller has no valid settings; set and save them";
    case WIRE_HOST_LOST:
        return "the controller heard nothing for a second and stopped; is the cable in?";
    case WIRE_HALTED:
        return "it was halted";
    default:
        return "the controller gives a reason that this version does not know";
    }
}

static void notice(struct rail *r)
{
    if (r->base.notice) r->base.notice(r->base.notice_arg);
}

/* --- the queue of requests --- */

static bool is(const struct rail_request *q, const char *word)
{
    return !strcmp(q->word, word);
}

static bool moves(const struct rail_request *q)
{
    return is(q, "go") || is(q, "jog") || is(q, "find");
}

/* A request is waiting after which the phase will be another one. */
static bool phase_pending(const struct rail *r)
{
    for (int i = 0; i < r->queued; i++)
        if (moves(&r->queue[i]) || is(&r->queue[i], "clear") || is(&r->queue[i], "here")) return true;
    return false;
}

static void poll_at(struct rail *r, int64_t at_us);

static void ask_next(struct rail *r)
{
    if (r->asked || !rail_line_idle(r->line) || !r->queued) return;
    r->asked = true;
    rail_line_ask(r->line, &r->queue[0]);
}

static int ask(struct rail *r, struct err *why, const struct rail_request *q)
{
    if (r->queued == QUEUE_MOST)
        return fail(why, E_STATE, "rail: too much asked at once; wait for what was asked before");
    r->queue[r->queued++] = *q;
    ask_next(r);
    return E_OK;
}

static void pop(struct rail *r)
{
    memmove(r->queue, r->queue + 1, (size_t)--r->queued * sizeof *r->queue);
}

static void on_poll(void *arg)
{
    struct rail *r = arg;
    r->poll_timer = 0;
    if (r->st.phase == AXIS_GONE) return;
    if (r->halting) rail_line_halt(r->line);
    if (r->st.phase == AXIS_GONE) return;
    if (!r->queued)
        ask(r, NULL, &STATE);
    else if (!r->poll_timer)
        poll_at(r, sched_now_us(r->sched) + POLL_HALTING_US);
}

static void poll_at(struct rail *r, int64_t at_us)
{
    sched_cancel(r->sched, r->poll_timer);
    r->poll_timer = sched_at(r->sched, at_us, on_poll, r);
}

/* When to look next: often enough for the controller's sign of life, and exactly at the promised end. */
static void plan_poll(struct rail *r)
{
    int64_t now = sched_now_us(r->sched), next = now + POLL_REST_US;
    if (r->halting) {
        next = now + POLL_HALTING_US;
    } else if (r->st.phase == AXIS_MOVING || r->st.phase == AXIS_FINDING) {
        next = now + POLL_MOVING_US;
        if (r->st.rest_at_us != SCHED_NEVER) {
            int64_t end = r->st.rest_at_us - rail_line_lead_us(r->line) + POLL_MARGIN_US;
            if (end <= now)
                next = now + POLL_OVERDUE_US;
            else if (end < next + POLL_MOVING_US / 5)
                next = end;
        }
    }
    poll_at(r, next);
}

/* --- what the controller says --- */

struct seen {
    int32_t phase, position, target, known, alarm;
};

static bool read_state(struct rail_reply *reply, struct seen *s)
{
    int32_t *const fields[] = {&s->phase, &s->position, &s->target, &s->known, &s->alarm};
    for (size_t i = 0; i < sizeof fields / sizeof *fields; i++)
        if (!wire_next_int(&reply->in, fields[i])) return false;
    return true;
}

static bool under_way(const struct seen *s)
{
    return s->phase == WIRE_MOVING || s->phase == WIRE_FINDING;
}

static void take_position(struct rail *r, const struct seen *s)
{
    r->st.position_counts = s->position;
    r->st.nonce = rail_line_nonce(r->line);
    r->st.known = s->known == WIRE_KNOWN     ? AXIS_KNOWN
                  : s->known == WIRE_COUNTED ? AXIS_COUNTED
                                             : AXIS_UNKNOWN;
    r->st.uncertainty_counts = s->known == WIRE_KNOWN     ? 0
                               : s->known == WIRE_COUNTED ? COUNTED_UNSURE
                                                          : WIRE_FURTHEST;
}

static void stop(struct rail *r, enum axis_phase phase)
{
    r->st.phase = phase;
    r->halting = false;
    r->cleared = false;
}

static void come_to_rest(struct rail *r, const struct seen *s, int64_t seen_us)
{
    bool was_moving = r->st.phase == AXIS_MOVING || r->st.phase == AXIS_FINDING;
    if (was_moving && r->st.rest_at_us > seen_us) r->st.rest_at_us = seen_us;
    if (r->st.phase == AXIS_MOVING && s->position != r->st.target_counts) {
        fail(&r->st.why, E_IO, "rail: it rests at %d counts instead of %lld on %s; home it before going on",
             (int)s->position, (long long)r->st.target_counts, r->port);
        stop(r, AXIS_STOPPED);
        return;
    }
    r->st.phase = AXIS_REST;
    r->st.target_counts = s->target;
    r->st.why = (struct err){0};
    r->cleared = false;
}

static void take_phase(struct rail *r, const struct seen *s, int64_t seen_us)
{
    if (under_way(s)) {
        r->st.phase = s->phase == WIRE_MOVING ? AXIS_MOVING : AXIS_FINDING;
        r->st.target_counts = s->target;
        if (r->st.rest_at_us <= seen_us) r->st.rest_at_us = SCHED_NEVER; /* the promise was too early */
    } else if (s->phase == WIRE_STOPPED || s->phase == WIRE_ALARM) {
        bool wished = r->halting && s->alarm == WIRE_HALTED;
        enum errc code = s->phase == WIRE_ALARM ? E_STATE : s->alarm == WIRE_HALTED ? E_PAUSED : E_TIMEOUT;
        if (wished)
            r->st.why = (struct err){0};
        else if (r->st.phase != AXIS_STOPPED)
            fail(&r->st.why, code, "rail: %s", alarm_text(s->alarm));
        r->st.target_counts = s->target;
        stop(r, s->phase == WIRE_ALARM ? AXIS_ALARM : AXIS_STOPPED);
    } else if (!r->halting && (r->st.phase != AXIS_STOPPED || r->cleared)) {
        come_to_rest(r, s, seen_us);
    }
}

/* queue[0] is the request that was lost. Has it acted? Then it is not asked again. */
static void settle_lost(struct rail *r, const struct seen *s)
{
    const struct rail_request *q = &r->queue[0];
    bool acted = moves(q) && (under_way(s) || (is(q, "go") && s->target == q->arg[0]) ||
                              (is(q, "jog") && s->target != r->target_before));
    r->lost = false;
    if (!acted && !(moves(q) && r->halting)) return;
    if (is(q, "jog")) r->st.target_counts = s->target;
    pop(r);
}

/* The first time at rest: what opts say, then state once more. */
static void finish_start(struct rail *r, const struct seen *s)
{
    const struct axis_rail_opts *o = &r->opts;
    if (r->started || under_way(s) || r->look_only) return;
    r->started = true;
    if (o->speed_counts_per_s)
        ask(r, NULL, &(struct rail_request){"set", 2, {WIRE_KEY_SPEED, (int32_t)o->speed_counts_per_s}});
    if (o->lo_counts || o->hi_counts)
        ask(r, NULL, &(struct rail_request){"limit", 2, {(int32_t)o->lo_counts, (int32_t)o->hi_counts}});
    ask(r, NULL, &STATE);
}

static bool starting_up(const struct rail *r)
{
    return r->st.phase == AXIS_STARTING && (!r->started || r->queued);
}

static void take_state(struct rail *r, struct rail_reply *reply)
{
    struct seen s;
    struct axis_state was = r->st;
    if (!read_state(reply, &s)) return;
    take_position(r, &s);
    if (r->lost && r->queued) settle_lost(r, &s);
    r->target_before = s.target;
    finish_start(r, &s);
    if (!phase_pending(r) && !starting_up(r) && !r->look_only) take_phase(r, &s, reply->done_us);
    plan_poll(r);
    if (was.phase != r->st.phase || was.known != r->st.known ||
        was.position_counts != r->st.position_counts || was.nonce != r->st.nonce)
        notice(r);
}

static const char *refusal_text(const char *reason)
{
    static const char *const TEXT[][2] = {
        {"busy", "it was still at work; ask when it rests"},
        {"range", "a number is outside what the controller allows"},
        {"unknown-position", "it does not know where it stands; home it first"},
        {"limit", "that way lies a limit or a pressed end switch"},
        {"alarm", "look at its end switches and the emergency button, then clear"},
        {"shape", "the shape is too fast for this distance"},
        {"storage", "its lasting storage failed"},
    };
    for (size_t i = 0; i < sizeof TEXT / sizeof *TEXT; i++)
        if (!strcmp(TEXT[i][0], reason)) return TEXT[i][1];
    return "host and controller do not understand each other; are their versions right?";
}

static void take_refusal(struct rail *r, const struct rail_request *q, const char *reason)
{
    if (r->halting && moves(q)) return;
    fail(&r->st.why, strcmp(reason, "range") ? E_STATE : E_INPUT, "rail: the controller refused %s (%s): %s",
         q->word, reason, refusal_text(reason));
    stop(r, AXIS_STOPPED);
    r->queued = 0;
    ask(r, NULL, &STATE); /* an alarm says more than a refusal */
    notice(r);
}

static void take_promise(struct rail *r, struct rail_reply *reply)
{
    int32_t ms, target;
    if (!wire_next_int(&reply->in, &ms) || !wire_next_int(&reply->in, &target)) return;
    r->st.rest_at_us = reply->done_us + (int64_t)ms * 1000;
    r->st.target_counts = target;
    plan_poll(r);
    notice(r);
}

static void on_answered(void *arg, const struct rail_request *q, struct rail_reply *reply)
{
    struct rail *r = arg;
    r->asked = false;
    if (r->queued) pop(r);
    if (!reply->ok) {
        take_refusal(r, q, reply->reason);
    } else if (is(q, "state")) {
        take_state(r, reply);
    } else if (is(q, "go") || is(q, "jog")) {
        take_promise(r, reply);
    } else {
        if (is(q, "clear")) r->cleared = true;
        if (!r->queued) ask(r, NULL, &STATE);
    }
    ask_next(r);
}

static void on_ready(void *arg, struct rail_reply *hello)
{
    struct rail *r = arg;
    int32_t major = -1;
    if (!hello->ok || !wire_next_int(&hello->in, &major)) major = -1;
    if (major != WIRE_MAJOR && !r->look_only) {
        r->look_only = true;
        r->queued = 0;
        fail(&r->st.why, E_UNSUPPORTED,
             "rail: the controller on %s speaks version %d of the line, this program %d; it can only look "
             "and halt",
             r->port, (int)major, WIRE_MAJOR);
        r->st.phase = AXIS_ALARM;
        notice(r);
    }
    /* State first: whether what was on the line has acted, or where a controller just met stands. */
    r->lost = r->asked && r->queued && !is(&r->queue[0], "state");
    r->asked = false;
    if (!r->queued || r->lost) {
        memmove(r->queue + 1, r->queue, (size_t)r->queued * sizeof *r->queue);
        r->queue[0] = STATE;
        r->queued++;
    }
    ask_next(r);
}

static void on_rebooted(void *arg)
{
    struct rail *r = arg;
    r->queued = 0;
    r->asked = false;
    r->lost = false;
    r->started = false;
    r->st.known = AXIS_UNKNOWN;
    r->st.uncertainty_counts = WIRE_FURTHEST;
    r->st.nonce = rail_line_nonce(r->line);
    if (r->st.phase == AXIS_STARTING) return;
    fail(&r->st.why, E_STATE,
         "rail: the controller on %s has restarted and lost its position; see that the way is free, then "
         "home it",
         r->port);
    stop(r, AXIS_STOPPED);
    notice(r);
}

static void on_gone(void *arg, const struct err *why)
{
    struct rail *r = arg;
    sched_cancel(r->sched, r->poll_timer);
    r->poll_timer = 0;
    r->queued = 0;
    r->st.why = *why;
    stop(r, AXIS_GONE);
    notice(r);
}

/* --- what the caller asks --- */

static struct rail *rail_of(struct axis *ax)
{
    return (struct rail *)ax;
}

static int only_at_rest(struct rail *r, struct err *why, const char *what)
{
    if (r->st.phase == AXIS_GONE || r->look_only) {
        if (why) *why = r->st.why;
        return r->st.why.code;
    }
    if (r->st.phase != AXIS_REST || phase_pending(r))
        return fail(why, E_STATE, "rail: it cannot %s while it is %s; wait, or clear it first", what,
                    axis_phase_text(r->st.phase));
    return E_OK;
}

static int start(struct rail *r, struct err *why, const struct rail_request *q, enum axis_phase phase)
{
    struct axis_state was = r->st;
    r->st.phase = phase;
    r->st.rest_at_us = SCHED_NEVER;
    int rc = ask(r, why, q);
    if (rc) r->st = was;
    return rc;
}

static int go(struct rail *r, int64_t target, int32_t shape, struct err *why)
{
    const struct axis_rail_opts *o = &r->opts;
    int rc = only_at_rest(r, why, "move");
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
    int rc = only_at_rest(r, why, "jog");
    if (rc) return rc;
    if (distance_counts < -WIRE_FURTHEST || distance_counts > WIRE_FURTHEST)
        return fail(why, E_INPUT, "rail: a distance of %lld counts is too far", (long long)distance_counts);
    return start(r, why, &(struct rail_request){"jog", 2, {(int32_t)distance_counts, 0}}, AXIS_MOVING);
}

static int rail_home(struct axis *ax, struct err *why)
{
    struct rail *r = rail_of(ax);
    int rc = only_at_rest(r, why, "find its zero");
    return rc ? rc : start(r, why, &(struct rail_request){"find", 1, {0}}, AXIS_FINDING);
}

static int rail_poll(struct axis *ax, struct axis_state *out, struct err *why)
{
    (void)why;
    *out = rail_of(ax)->st;
    return E_OK;
}

static int rail_halt(struct axis *ax, struct err *why)
{
    struct rail *r = rail_of(ax);
    if (r->st.phase == AXIS_GONE) {
        if (why) *why = r->st.why;
        return r->st.why.code;
    }
    r->queued = r->asked ? 1 : 0; /* what waits is not sent any more; what is on the line stays */
    r->halting = true;
    rail_line_halt(r->line);
    if (r->st.phase != AXIS_GONE) plan_poll(r);
    return E_OK;
}

static int rail_clear(struct axis *ax, struct err *why)
{
    struct rail *r = rail_of(ax);
    if (r->st.phase == AXIS_REST) return E_OK;
    if (r->st.phase != AXIS_STOPPED && r->st.phase != AXIS_ALARM) return only_at_rest(r, why, "be cleared");
    if (r->look_only) return only_at_rest(r, why, "be cleared");
    return ask(r, why, &(struct rail_request){.word = "clear"});
}

static int rail_limits(struct axis *ax, int64_t lo_counts, int64_t hi_counts, struct err *why)
{
    struct rail *r = rail_of(ax);
    int rc = only_at_rest(r, why, "take limits");
    if (rc) return rc;
    if (lo_counts < -WIRE_FURTHEST || hi_counts > WIRE_FURTHEST)
        return fail(why, E_INPUT, "rail: limits of %lld to %lld counts are too far; at most %d either way",
                    (long long)lo_counts, (long long)hi_counts, WIRE_FURTHEST);
    rc = ask(r, why, &(struct rail_request){"limit", 2, {(int32_t)lo_counts, (int32_t)hi_counts}});
    if (rc) return rc;
    r->opts.lo_counts = lo_counts;
    r->opts.hi_counts = hi_counts;
    return E_OK;
}

static int rail_here(struct axis *ax, int64_t position_counts, struct err *why)
{
    struct rail *r = rail_of(ax);
    int rc = only_at_rest(r, why, "be told where it stands");
    if (rc) return rc;
    if (position_counts < -WIRE_FURTHEST || position_counts > WIRE_FURTHEST)
        return fail(why, E_INPUT, "rail: a position of %lld counts is too far", (long long)position_counts);
    return ask(r, why, &(struct rail_request){"here", 1, {(int32_t)position_counts}});
}

static int rail_shape(struct axis *ax, const struct axis_slot *slots, int count, struct err *why)
{
    struct rail *r = rail_of(ax);
    int rc = only_at_rest(r, why, "take a shape");
    if (rc) return rc;
    if (r->queued + count > QUEUE_MOST) return fail(why, E_STATE, "rail: too much asked at once");
    for (int i = 0; i < count; i++)
        if (slots[i].us < 100 || slots[i].us > 1000000)
            return fail(why, E_INPUT, "rail: slot %d of the shape lasts %lld us; 100 to 1000000 can be done",
                        i, (long long)slots[i].us);
    for (int i = 0; i < count; i++)
        ask(r, NULL,
            &(struct rail_request){
                "shape",
                4,
                {SHAPE_ID, i, (int32_t)(slots[i].us * (WIRE_TICK_HZ / 1000000)), slots[i].share}});
    return E_OK;
}

static int rail_hold(struct axis *ax, enum axis_hold level, struct err *why)
{
    struct rail *r = rail_of(ax);
    int rc = only_at_rest(r, why, "change its holding current");
    return rc ? rc : ask(r, why, &(struct rail_request){"hold", 1, {(int32_t)level}});
}

static int rail_drop(struct axis *ax, struct err *why)
{
    struct rail *r = rail_of(ax);
    if (r->st.phase == AXIS_GONE) return only_at_rest(r, why, "release its outputs");
    return ask(r, why, &(struct rail_request){.word = "drop"});
}

static void rail_close(struct axis *ax)
{
    if (!ax) return;
    struct rail *r = rail_of(ax);
    r->base.notice = NULL;
    if (r->st.phase == AXIS_MOVING || r->st.phase == AXIS_FINDING) rail_line_halt(r->line);
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
    struct rail_line_user user = {r, on_ready, on_answered, on_rebooted, on_gone};
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
