/* motion.c - from a distance to step edges.
 *
 * A move is a row of slots with one speed each: a ramp's last one millisecond, and its speeds are the running
 * mean of speeds that climb and fall by equal amounts, so that the acceleration comes and goes evenly, too; a
 * shape brings its own. `phase` counts 1/65536 steps, and an edge is due wherever the
 * phase crosses a whole step. Task works out, per slot, where its first edge lies and how far apart the rest
 * are, as a fraction, and queues that as a run; tick only adds. So:
 *  1. the phases of all slots add up to the distance exactly, and so do the edges;
 *  2. the last edge of a ramp is its end: speed is zero there and the move has taken the time that was
 * promised;
 *  3. no rounding adds up over slots: edges lie within one tick of where the speeds put them.
 *
 * A ramp of D steps has its first edge at once and spreads D - 1 steps of phase: N slots up at a, 2a, .. Na,
 * cruising at Na, N slots down, with N a (N + 1) <= phase; what is left over is a slot of its own, put where
 * its speed fits on the way down. The mean over M of them takes M - 1 slots more and adds up to the same, for
 * what a division leaves over goes into the next slot. A shape puts its first edge after half a step of
 * phase, so that rounding leans to neither side. */
#include "firmware/core/parts.h"
#include "firmware/core/tick.h"

#include <stdatomic.h>

#define WHOLE UINT32_C(65536) /* phase of one step */
#define HALF  UINT32_C(32768)
#define MASK  (CORE_QUEUE - 1)

#define DIRECTION_TICKS 100 /* 50 us from the direction pin to the first edge */
#define START_RUNS      2   /* worked out before the answer; the rest follows at once */
#define SLOT_TICKS      64  /* 32 us that a small chip may take for each slot on the way to them */
#define BOUNCE_STEPS    200 /* a switch that has just let go may chatter for so long */

static uint32_t speed_phase(uint32_t steps_per_s)
{
    return steps_per_s * 8192u / 125u; /* 65536 / 1000, up to 40000 steps/s */
}

static uint32_t accel_phase(uint32_t steps_per_s2)
{
    return steps_per_s2 * 4096u / 62500u; /* 65536 / 1000000, up to 400000 */
}

/* phase x ticks / by, and what is left over; phase is at most one step. */
static uint32_t share_of(uint32_t phase, uint32_t ticks, uint32_t by, uint32_t *left)
{
    if (ticks < WHOLE) {
        uint32_t product = phase * ticks;
        *left = product % by;
        return product / by;
    }
    uint64_t product = (uint64_t)phase * ticks;
    *left = (uint32_t)(product % by);
    return (uint32_t)(product / by);
}

static uint32_t square_root(uint32_t value)
{
    uint32_t root = 0, bit = UINT32_C(1) << 30;
    while (bit > value)
        bit >>= 2;
    for (; bit; bit >>= 2) {
        if (value >= root + bit) {
            value -= root + bit;
            root = (root >> 1) + bit;
        } else {
            root >>= 1;
        }
    }
    return root;
}

/* --- planning (task) --- */

/* left / by in 1/65536, left below by. Shifts and compares: a 64-bit division takes a small chip too long. */
static uint16_t fraction(uint32_t left, uint32_t by)
{
    uint16_t bits = 0;
    for (uint8_t i = 0; i < 16; i++) {
        left <<= 1;
        bits = (uint16_t)(bits << 1);
        if (left >= by) {
            left -= by;
            bits |= 1;
        }
    }
    return bits;
}

/* Most moves are short: half as wide a division is four times as quick. */
static uint64_t divided(uint64_t value, uint32_t by, uint32_t *left)
{
    if (value >> 32) {
        *left = (uint32_t)(value % by);
        return value / by;
    }
    *left = (uint32_t)value % by;
    return (uint32_t)value / by;
}

/* The power of two that is no less. */
static uint8_t smooth_of(const struct core *c)
{
    uint8_t smooth = 0;
    while ((int32_t)1 << smooth < c->keys[WIRE_KEY_SMOOTH_MS])
        smooth++;
    return smooth;
}

/* Returns the number of slots. */
static uint32_t plan_ramp(struct core_plan *p, uint32_t steps, uint32_t top, uint32_t steepness,
                          uint8_t smooth)
{
    if (steepness > top) steepness = top;
    uint64_t phase = (uint64_t)(steps - 1) * WHOLE;
    uint32_t rest;
    uint64_t pairs = divided(phase, steepness, &rest); /* N (N + 1) is at most this */
    uint32_t most = top / steepness;
    uint32_t n = most;
    if (pairs < most * (most + 1)) { /* most is at most 40330 */
        n = square_root((uint32_t)pairs);
        if (n * (n + 1) > pairs) n--;
    }
    phase -= (uint64_t)steepness * (n * (n + 1));
    uint32_t cruise = (n ? n : 1) * steepness;
    struct core_ramp ramp = {.up = n, .down = n * steepness};
    ramp.level = (uint32_t)divided(phase, cruise, &ramp.odd);
    p->kind = CORE_PLAN_RAMP;
    p->steepness = steepness;
    p->rate = 0;
    p->ahead = p->behind = ramp;
    p->smooth = smooth;
    p->waits = (uint8_t)(1u << smooth);
    p->sum = p->odds = 0;
    p->need = 0;
    p->left = steps;
    uint32_t slots = 2 * n + ramp.level + (ramp.odd != 0);
    return slots ? slots + p->waits - 1 : 0;
}

/* Returns the ticks until the last edge, half a step of phase before the end. */
static uint32_t plan_shape(struct core *c, uint8_t shape, uint32_t steps)
{
    struct core_plan *p = &c->plan;
    uint8_t n = c->shape_slots[shape - 1];
    uint32_t ticks = 0, left, behind = 0;
    for (uint8_t i = 0; i < n; i++) {
        p->slots[i] = c->shapes[shape - 1][i];
        p->slots[i].phase *= steps;
        ticks += p->slots[i].ticks;
    }
    for (uint8_t i = n; i-- > 0;) {
        const struct core_slot *s = &p->slots[i];
        if (behind + s->phase >= HALF) {
            ticks -= share_of(HALF - behind, s->ticks, s->phase, &left);
            break;
        }
        behind += s->phase;
        ticks -= s->ticks;
    }
    for (uint8_t i = n; i < WIRE_SLOTS; i++)
        p->slots[i] = (struct core_slot){0, 0};
    p->kind = CORE_PLAN_SHAPE;
    p->slot = 0;
    p->rate = 0;
    p->need = HALF;
    p->left = steps;
    return ticks;
}

bool motion_can_shape(const struct core *c, uint8_t shape, uint32_t steps)
{
    uint32_t jump = speed_phase((uint32_t)c->keys[WIRE_KEY_JUMP]);
    uint32_t sum = 0;
    if (shape > WIRE_SHAPES || steps > CORE_SHAPED) return false;
    for (uint8_t i = 0; i < c->shape_slots[shape - 1]; i++) {
        const struct core_slot *s = &c->shapes[shape - 1][i];
        sum += s->phase;
        if ((uint64_t)s->phase * steps * CORE_TICKS_MS > (uint64_t)jump * s->ticks) return false;
    }
    return sum == WIRE_WHOLE;
}

/* The ramp's next speed; 0 at its end. */
static uint32_t next_speed(struct core_ramp *r, uint32_t steepness)
{
    if (r->up) {
        r->up--;
        r->rate += steepness;
    } else if (r->level) {
        r->level--;
        if (!r->rate) r->rate = steepness;
    } else if (r->odd && r->odd >= r->down) {
        r->rate = r->odd;
        r->odd = 0;
    } else {
        r->rate = r->down;
        if (r->down) r->down -= steepness;
    }
    return r->rate;
}

/* The running mean of them; false at its end. */
static bool next_mean(struct core_plan *p)
{
    if (p->ahead.level && p->behind.level && !p->behind.up &&
        !p->waits) { /* all of one speed: nothing to add */
        p->ahead.level--;
        p->behind.level--;
        p->rate = p->ahead.rate;
        return true;
    }
    p->sum += next_speed(&p->ahead, p->steepness);
    if (p->waits)
        p->waits--;
    else
        p->sum -= next_speed(&p->behind, p->steepness);
    if (!p->sum) return false;
    uint32_t all = p->sum + p->odds;
    p->rate = all >> p->smooth;
    p->odds = (uint8_t)(all & ((1u << p->smooth) - 1));
    return true;
}

/* The next slot of the plan; false at its end. */
static bool next_slot(struct core_plan *p, struct core_slot *s)
{
    if (p->kind == CORE_PLAN_SHAPE) {
        if (p->slot == WIRE_SLOTS) return false;
        *s = p->slots[p->slot++];
        return true;
    }
    if (p->kind == CORE_PLAN_SLOWING) {
        if (p->rate <= p->steepness) return false;
        p->rate -= p->steepness;
    } else if (!next_mean(p)) {
        return false;
    }
    *s = (struct core_slot){CORE_TICKS_MS, p->rate};
    return true;
}

/* The run is whole, and says whether it is the last one, before the tick can see it. */
static void push(struct core *c, struct core_run *run)
{
    c->plan.left -= run->steps;
    run->whole = run->steps;
    run->last = !c->plan.left;
    c->queue[c->head & MASK] = *run;
    atomic_signal_fence(memory_order_seq_cst);
    c->head++;
}

/* Slots at one speed follow each other: a division is worth remembering. */
static void set_pace(struct core_plan *p, const struct core_slot *s)
{
    uint32_t left;
    if (s->phase == p->pace.phase && s->ticks == p->pace.ticks) return;
    p->pace = *s;
    p->every = share_of(WHOLE, s->ticks, s->phase, &left);
    p->more = fraction(left, s->phase);
}

static void set_time(struct core_run *run, uint32_t tick)
{
    run->low = (uint16_t)tick;
    run->high = (uint16_t)(tick >> 16);
}

static uint32_t time_of(const struct core_run *run)
{
    return (uint32_t)run->high << 16 | run->low;
}

/* The part of the slot that goes by before its first edge: need / phase of it. Where the edges are closer
 * than 32768 ticks it is need steps of that length, and a product does. */
static void first_edge(const struct core_plan *p, const struct core_slot *s, struct core_run *run)
{
    uint32_t left, wait;
    if (s->phase >= WHOLE && p->every < 32768u) {
        wait = p->need * p->every + (p->need * p->more >> 16);
        run->part = (uint16_t)wait;
        wait >>= 16;
    } else {
        wait = share_of(p->need, s->ticks, s->phase, &left);
        run->part = fraction(left, s->phase);
    }
    set_time(run, p->start + wait);
}

static void push_slot(struct core *c, const struct core_slot *s)
{
    struct core_plan *p = &c->plan;
    if (s->phase < p->need || !s->phase) {
        p->need -= s->phase;
    } else {
        struct core_run run;
        set_pace(p, s);
        first_edge(p, s, &run);
        run.every = (uint16_t)p->every;
        run.far = (uint16_t)(p->every >> 16);
        run.more = p->more;
        run.steps = (uint16_t)(((s->phase - p->need) >> 16) + 1);
        p->need += run.steps * WHOLE - s->phase;
        push(c, &run);
    }
    p->start += s->ticks;
}

/* Returns how many slots it took. */
static uint16_t fill(struct core *c, uint8_t most)
{
    struct core_slot s;
    uint16_t slots = 0;
    while (c->running && c->plan.left && (uint8_t)(c->head - c->tail) < most && next_slot(&c->plan, &s)) {
        push_slot(c, &s);
        slots++;
    }
    return slots;
}

void motion_fill(struct core *c)
{
    fill(c, CORE_QUEUE);
    /* The slots did not add up: never go on in doubt. `running` last, for the tick may end the move here, and
     * says why itself. */
    if (c->head == c->tail && c->plan.left && c->running) {
        c->ended_by = WIRE_UNDERRUN;
        c->running = false;
    }
}

uint32_t motion_start(struct core *c, const struct core_move *m)
{
    uint32_t steps = m->distance < 0 ? 0u - (uint32_t)m->distance : (uint32_t)m->distance;
    bool asleep = !(c->outputs & WIRE_MOTOR_ON) || (c->outputs & WIRE_MOTOR_REDUCED);
    c->first_wait = asleep ? (uint32_t)c->keys[WIRE_KEY_WAKE_US] * 2u : DIRECTION_TICKS;
    uint32_t wait = c->port.lead + c->first_wait;
    if (steps >> 16) wait += c->port.lead; /* 64-bit divisions take so much longer */
    uint32_t ms, ticks = 0;
    wait += (uint32_t)m->wait_ms * CORE_TICKS_MS;
    if (m->shape) {
        ticks = plan_shape(c, m->shape, steps);
        ms = 0;
    } else {
        ms = plan_ramp(&c->plan, steps, speed_phase(m->speed), accel_phase((uint32_t)c->keys[WIRE_KEY_ACCEL]),
                       smooth_of(c));
    }
    c->plan.start = c->now + wait;
    c->forward = m->distance > 0;
    c->outputs = (uint8_t)((c->outputs & ~WIRE_MOTOR_REDUCED) | WIRE_MOTOR_ON);
    c->idle_waits = false;
    if (!c->hold) c->hold = 1;
    c->watch = m->watch;
    c->leave = (uint16_t)c->keys[WIRE_KEY_LEAVE];
    c->guard = (core_pressed(c) & (c->forward ? WIRE_NEAR_OPEN : WIRE_FAR_OPEN)) ? BOUNCE_STEPS : 0;
    c->tail = c->head;
    c->ended_by = 0;
    c->quit = false;
    c->pace = 0;
    if (steps == 1 && !m->shape) {
        struct core_run one = {.steps = 1};
        set_time(&one, c->plan.start);
        push(c, &one);
    }
    c->plan.pace = (struct core_slot){0, 0};
    c->fitted = (uint8_t)c->keys[WIRE_KEY_SWITCHES];
    c->wary = true;
    c->run = &c->queue[c->tail & MASK];
    c->running = true;
    uint32_t planning = (uint32_t)fill(c, START_RUNS) * SLOT_TICKS;
    core_delay(c, planning);
    wait += planning;
    return ms + (ticks + wait + c->port.notice + CORE_TICKS_MS - 1) / CORE_TICKS_MS;
}

static uint32_t every_of(const struct core_run *run)
{
    return (uint32_t)run->far << 16 | run->every;
}

/* Slots to come faster than what may stop at once. */
static bool will_be_fast(const struct core *c)
{
    return c->plan.kind != CORE_PLAN_SHAPE && c->plan.rate > speed_phase((uint32_t)c->keys[WIRE_KEY_JUMP]);
}

static bool is_fast(const struct core *c, uint32_t every)
{
    return c->plan.kind != CORE_PLAN_SHAPE && every &&
           every < WIRE_TICK_HZ / (uint32_t)c->keys[WIRE_KEY_JUMP];
}

bool motion_ended_fast(const struct core *c)
{
    return is_fast(c, c->pace);
}

static void ask_to_quit(struct core *c)
{
    c->quit = true;
    c->wary = true;
}

void motion_brake(struct core *c)
{
    struct core_plan *p = &c->plan;
    if (!will_be_fast(c)) {
        /* What is queued may still be fast: then it is on its way down, and goes on to its end. */
        if (!is_fast(c, every_of(&c->queue[c->tail & MASK]))) ask_to_quit(c);
        return;
    }
    if (p->kind == CORE_PLAN_SLOWING) return;
    /* What is queued goes on, a few milliseconds; then n slots, each slower by the same amount. */
    uint32_t n = (p->rate - 1) / p->steepness;
    uint64_t phase = (uint64_t)p->rate * n - (uint64_t)p->steepness * n * (n + 1) / 2;
    uint32_t left = phase < p->need ? 0 : (uint32_t)((phase - p->need) >> 16) + 1;
    if (p->kind == CORE_PLAN_RAMP && left >= p->left) return; /* on its way down already */
    p->kind = CORE_PLAN_SLOWING;
    p->left = left;
    if (left)
        motion_fill(c);
    else
        ask_to_quit(c); /* barely faster than one change of speed */
}

bool motion_moving(const struct core *c)
{
    return c->phase == WIRE_MOVING || c->phase == WIRE_FINDING;
}

/* The tick may come at any time: read until two readings agree. */
int32_t motion_position(const struct core *c)
{
    int32_t from, again;
    uint16_t steps, steps_again;
    uint8_t tail;
    do {
        const struct core_run *run = &c->queue[(tail = c->tail) & MASK];
        from = c->position;
        steps = c->running ? run->whole - *(const volatile uint16_t *)&run->steps : 0;
        again = c->position;
        steps_again = c->running ? run->whole - *(const volatile uint16_t *)&run->steps : 0;
    } while (from != again || steps != steps_again || tail != c->tail);
    return c->forward ? from + steps : from - steps;
}

/* --- stepping (tick) --- */

/* A switch counts when it still says so CORE_SAMPLE later. An emergency counts at once; that it is over, as
 * any other. */
void motion_sample(struct core *c, uint8_t inputs, uint32_t now)
{
    if (inputs == c->inputs) {
        c->sampled = inputs;
    } else if (inputs != c->sampled) {
        c->sampled = inputs;
        c->sampled_at = now;
        if (inputs & WIRE_EMERGENCY_OPEN) c->inputs |= WIRE_EMERGENCY_OPEN;
    } else if (!tick_before(now, c->sampled_at + CORE_SAMPLE)) {
        c->inputs = inputs;
    }
}

/* What ends the move before its next edge; 0: nothing. */
static uint8_t must_end(const struct core *c)
{
    uint8_t in = c->inputs & c->fitted;
    uint8_t ahead = c->forward ? WIRE_FAR_OPEN : WIRE_NEAR_OPEN;
    uint8_t behind = ahead ^ CORE_ENDS;
    if (in & WIRE_EMERGENCY_OPEN) return WIRE_EMERGENCY;
    if ((in & CORE_ENDS) == CORE_ENDS) return WIRE_BROKEN_WIRE;
    if (in & ahead) return c->watch == CORE_WATCH_PRESS ? CORE_LEG_ENDED : WIRE_END_REACHED;
    if (in & behind) return !c->guard || !c->leave ? WIRE_WRONG_SWITCH : 0;
    return c->watch == CORE_WATCH_RELEASE ? CORE_LEG_ENDED : 0;
}

/* A switch that was pressed at the start has `leave` steps to let go, and may then chatter for a while. */
void core_count_guard(struct core *c)
{
    uint8_t behind = c->forward ? WIRE_NEAR_OPEN : WIRE_FAR_OPEN;
    if (c->inputs & c->fitted & behind) {
        c->guard = BOUNCE_STEPS;
        c->leave--;
    } else {
        c->guard--;
    }
}

static void count_run(struct core *c)
{
    int32_t done = c->run->whole - c->run->steps;
    c->position += c->forward ? done : -done;
}

static void end_now(struct core *c, uint8_t why)
{
    count_run(c);
    c->pace = every_of(c->run);
    c->tail = c->head;
    c->ended_by = why;
    c->quit = false;
    c->running = false;
}

bool core_look(struct core *c, uint8_t inputs, uint32_t now)
{
    motion_sample(c, inputs, now);
    if (!c->running) return false;
    uint8_t why = must_end(c);
    if (why || c->quit) {
        end_now(c, why);
        return false;
    }
    c->wary =
        c->sampled != c->inputs || (c->inputs & c->fitted) || c->guard || c->watch == CORE_WATCH_RELEASE;
    return true;
}

uint8_t core_next_run(struct core *c)
{
    if (c->run->last) {
        end_now(c, 0);
        return CORE_OVER;
    }
    if ((uint8_t)(c->tail + 1) == c->head) {
        end_now(c, WIRE_UNDERRUN);
        return CORE_OVER;
    }
    count_run(c);
    c->tail++;
    c->run = &c->queue[c->tail & MASK];
    return CORE_ANOTHER_RUN;
}

void core_too_late(struct core *c)
{
    if (c->running) end_now(c, WIRE_UNDERRUN);
}

void core_delay(struct core *c, uint32_t ticks)
{
    c->plan.start += ticks;
    for (uint8_t i = c->tail; i != c->head; i++)
        set_time(&c->queue[i & MASK], time_of(&c->queue[i & MASK]) + ticks);
}

bool core_tick(struct core *c, uint8_t inputs, uint32_t now)
{
    if (!c->running) {
        motion_sample(c, inputs, now);
        return false;
    }
    if (c->head == c->tail) return false;
    if (!c->quit && tick_before(now, time_of(c->run))) return false;
    if (!core_may_step(c, inputs, now)) return false;
    core_stepped(c);
    return true;
}

bool core_step_due(const struct core *c, uint32_t *tick)
{
    if (!c->running) return false;
    if (c->quit)
        *tick = c->now;
    else if (c->head != c->tail)
        *tick = time_of(c->run);
    else
        return false;
    return true;
}

bool core_pin_forward(const struct core *c)
{
    return c->forward != (c->keys[WIRE_KEY_REVERSE] != 0);
}
