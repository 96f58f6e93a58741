#include "device/rail.h"

#include <string.h>

#define POLL_MOVING_US  100000
#define POLL_REST_US    500000
#define POLL_HALTING_US 10000
#define POLL_OVERDUE_US 2000
#define POLL_MARGIN_US  60 /* the scheduler's microsecond, the controller's tick, a byte's rounding */
#define COUNTED_UNSURE  32 /* two full steps at 16 microsteps: where an unpowered rotor may fall to */

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

/* --- when to look --- */

static void poll_at(struct rail *r, int64_t at_us);

static void on_poll(void *arg)
{
    struct rail *r = arg;
    r->poll_timer = 0;
    if (r->st.phase == AXIS_GONE) return;
    if (r->halting) rail_line_halt(r->line);
    if (r->st.phase == AXIS_GONE) return;
    if (!r->queued)
        rail_ask_state(r);
    else if (!r->poll_timer)
        poll_at(r, sched_now_us(r->sched) + POLL_HALTING_US);
}

static void poll_at(struct rail *r, int64_t at_us)
{
    sched_cancel(r->sched, r->poll_timer);
    r->poll_timer = sched_at(r->sched, at_us, on_poll, r);
}

/* When to look next: often enough for the controller's sign of life, and exactly at the promised end. */
void rail_plan_poll(struct rail *r)
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
    int32_t phase, position, target, known, alarm, switches, outputs, shots;
};

static bool read_state(struct rail_reply *reply, struct seen *s)
{
    int32_t *const fields[] = {&s->phase, &s->position, &s->target,  &s->known,
                               &s->alarm, &s->switches, &s->outputs, &s->shots};
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

/* Whatever stops the axis lets the shutter contacts go. */
static void stop(struct rail *r, enum axis_phase phase)
{
    const bool news = r->st.phase != phase;
    r->st.phase = phase;
    r->halting = false;
    r->cleared = false;
    if (news) rail_fire_unseen(r, &r->st.why);
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
static void settle_lost(struct rail *r, const struct seen *s, int64_t seen_us)
{
    const struct rail_request *q = &r->queue[0];
    if (rail_is(q, "fire") && (s->shots != r->shots_before || r->halting || s->phase != WIRE_REST)) {
        rail_pop(r);
        if (s->shots != r->shots_before)
            rail_fire_acted(r, seen_us);
        else
            rail_fire_dropped(r);
        return;
    }
    bool acted = rail_moves(q) && (under_way(s) || (rail_is(q, "go") && s->target == q->arg[0]) ||
                                   (rail_is(q, "jog") && s->target != r->target_before));
    if (!acted && !(rail_moves(q) && r->halting)) return;
    if (rail_is(q, "jog")) r->st.target_counts = s->target;
    rail_pop(r);
}

/* The first time at rest: what opts say, then state once more. */
static void finish_start(struct rail *r, const struct seen *s)
{
    const struct axis_rail_opts *o = &r->opts;
    if (r->started || under_way(s) || r->look_only) return;
    r->started = true;
    if (o->speed_counts_per_s)
        rail_ask(r, &(struct rail_request){"set", 2, {WIRE_KEY_SPEED, (int32_t)o->speed_counts_per_s}}, NULL);
    if (o->accel_counts_per_s2)
        rail_ask(r, &(struct rail_request){"set", 2, {WIRE_KEY_ACCEL, (int32_t)o->accel_counts_per_s2}},
                 NULL);
    if (o->smooth_ms)
        rail_ask(r, &(struct rail_request){"set", 2, {WIRE_KEY_SMOOTH_MS, (int32_t)o->smooth_ms}}, NULL);
    if (o->start_counts_per_s)
        rail_ask(r, &(struct rail_request){"set", 2, {WIRE_KEY_JUMP, (int32_t)o->start_counts_per_s}}, NULL);
    if (o->lo_counts || o->hi_counts)
        rail_ask(r, &(struct rail_request){"limit", 2, {(int32_t)o->lo_counts, (int32_t)o->hi_counts}}, NULL);
    rail_ask_state(r);
}

static bool starting_up(const struct rail *r)
{
    return r->st.phase == AXIS_STARTING && (!r->started || r->queued);
}

static void take_state(struct rail *r, struct rail_reply *reply)
{
    struct seen s;
    struct axis_state was = r->st;
    if (!read_state(reply, &s)) {
        rail_plan_poll(r);
        return;
    }
    take_position(r, &s);
    if (r->lost && r->queued) settle_lost(r, &s, reply->done_us);
    r->lost = false;
    r->target_before = s.target;
    r->shots_before = s.shots;
    finish_start(r, &s);
    if (!rail_phase_pending(r) && !starting_up(r) && !r->look_only) take_phase(r, &s, reply->done_us);
    rail_plan_poll(r);
    if (was.phase != r->st.phase || was.known != r->st.known ||
        was.position_counts != r->st.position_counts || was.nonce != r->st.nonce)
        notice(r);
}

const char *rail_refusal_text(const char *reason)
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

/* The answer to what rail_key asked. Requests of that kind at the start are not waited for. */
static bool is_key(const struct rail *r, const struct rail_request *q)
{
    return r->key.waiting && (rail_is(q, "read") || rail_is(q, "set") || rail_is(q, "save"));
}

static void take_key(struct rail *r, const struct rail_request *q, struct rail_reply *reply)
{
    r->key.waiting = false;
    if (!reply->ok)
        fail(&r->key.why, strcmp(reply->reason, "range") ? E_STATE : E_INPUT,
             "rail: the controller refused %s (%s): %s", q->word, reply->reason,
             rail_refusal_text(reply->reason));
    else if (rail_is(q, "read") && !wire_next_int(&reply->in, &r->key.value))
        fail(&r->key.why, E_IO, "rail: the controller gave no number for parameter %d", (int)q->arg[0]);
    notice(r);
}

static void take_refusal(struct rail *r, const struct rail_request *q, const char *reason)
{
    if (r->halting && rail_moves(q)) return;
    fail(&r->st.why, strcmp(reason, "range") ? E_STATE : E_INPUT, "rail: the controller refused %s (%s): %s",
         q->word, reason, rail_refusal_text(reason));
    if (r->firing) rail_fire_dropped(r);
    stop(r, AXIS_STOPPED);
    r->queued = 0;
    rail_ask_state(r); /* an alarm says more than a refusal */
    notice(r);
}

static void take_promise(struct rail *r, struct rail_reply *reply)
{
    int32_t ms, target;
    if (!wire_next_int(&reply->in, &ms) || !wire_next_int(&reply->in, &target)) return;
    r->st.rest_at_us = reply->done_us + (int64_t)ms * 1000;
    r->st.target_counts = target;
    rail_plan_poll(r);
    notice(r);
}

static void on_answered(void *arg, const struct rail_request *q, struct rail_reply *reply)
{
    struct rail *r = arg;
    r->asked = false;
    if (r->queued) rail_pop(r);
    if (is_key(r, q)) {
        take_key(r, q, reply);
    } else if (rail_is(q, "fire")) {
        rail_fire_answered(r, reply);
        if (!reply->ok) rail_ask_state(r); /* an alarm says more than a refusal */
    } else if (!reply->ok) {
        take_refusal(r, q, reply->reason);
    } else if (rail_is(q, "state")) {
        take_state(r, reply);
    } else if (rail_is(q, "go") || rail_is(q, "jog")) {
        take_promise(r, reply);
    } else {
        if (rail_is(q, "clear")) r->cleared = true;
        if (!r->queued) rail_ask_state(r);
    }
    if (r->telling && !r->queued) {
        r->telling = false;
        notice(r);
    }
    rail_ask_next(r);
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
    r->lost = r->asked && r->queued && !rail_is(&r->queue[0], "state");
    r->asked = false;
    if (!r->queued || r->lost) {
        memmove(r->queue + 1, r->queue, (size_t)r->queued * sizeof *r->queue);
        r->queue[0] = (struct rail_request){.word = "state"};
        r->queued++;
    }
    rail_ask_next(r);
}

static void on_rebooted(void *arg)
{
    struct rail *r = arg;
    r->queued = 0;
    r->asked = false;
    r->lost = false;
    r->started = false;
    if (r->key.waiting) fail(&r->key.why, E_STATE, "rail: the controller has restarted; ask again");
    r->key.waiting = false;
    r->st.known = AXIS_UNKNOWN;
    r->st.uncertainty_counts = WIRE_FURTHEST;
    r->st.nonce = rail_line_nonce(r->line);
    if (r->firing) {
        struct err lost;
        fail(&lost, E_STATE, "rail: the controller restarted while it was told to fire");
        rail_fire_unseen(r, &lost);
    }
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

struct rail_line_user rail_picture_user(struct rail *r)
{
    return (struct rail_line_user){r, on_ready, on_answered, on_rebooted, on_gone};
}
