#include "firmware/core/parts.h"

#define HOST_LOSS_TICKS ((uint32_t)WIRE_TICK_HZ)
#define HEARTBEAT_TICKS (UINT32_C(1) << 28)

uint8_t core_pressed(const struct core *c)
{
    return (uint8_t)((c->inputs | c->sampled) & (uint8_t)c->keys[WIRE_KEY_SWITCHES]);
}

void core_release(struct core *c)
{
    c->shutter = 0;
    c->outputs = (uint8_t)(c->outputs & ~(WIRE_HALF_PRESSED | WIRE_FULL_PRESSED));
}

static void settle_down(struct core *c)
{
    c->target = motion_position(c);
    c->leg = CORE_LEG_NONE;
    c->halting = 0;
    c->rest_at = c->now;
    c->idle_waits = (c->outputs & WIRE_MOTOR_ON) && c->hold == 1;
}

void core_alarm(struct core *c, uint8_t alarm)
{
    core_release(c);
    settle_down(c);
    if (alarm == WIRE_EMERGENCY) c->known = WIRE_UNKNOWN; /* the button may have cut the driver as well */
    c->phase = WIRE_ALARM;
    c->alarm = alarm;
    c->stops++;
}

void core_halt(struct core *c, uint8_t why)
{
    core_release(c);
    if (c->phase == WIRE_STOPPED || c->phase == WIRE_ALARM || c->halting) return;
    if (motion_moving(c)) {
        c->halting = why;
        motion_brake(c);
        return;
    }
    settle_down(c);
    c->phase = WIRE_STOPPED;
    c->alarm = why;
    c->stops++;
}

/* Stepping has ended, one way or another. */
static void move_over(struct core *c)
{
    uint8_t ended_by = c->ended_by, halting = c->halting;
    c->ended_by = 0;
    if (ended_by && ended_by != CORE_LEG_ENDED) {
        if (motion_ended_fast(c)) c->known = WIRE_UNKNOWN; /* it has slipped, nobody knows how far */
        core_alarm(c, ended_by);
    } else if (halting) {
        settle_down(c);
        c->phase = WIRE_STOPPED;
        c->alarm = halting;
        c->stops++;
    } else if (c->phase != WIRE_FINDING || !find_go_on(c, ended_by)) {
        settle_down(c);
        c->phase = WIRE_REST;
    }
}

static void look_at_inputs(struct core *c)
{
    uint8_t in = c->inputs & (uint8_t)c->keys[WIRE_KEY_SWITCHES];
    if (motion_moving(c) || !(in & WIRE_EMERGENCY_OPEN)) return;
    c->known = WIRE_UNKNOWN;
    if (c->phase != WIRE_ALARM) core_alarm(c, WIRE_EMERGENCY);
}

static void run_shutter(struct core *c)
{
    if (!c->shutter || tick_before(c->now, c->shutter_at)) return;
    if (c->shutter == 1) {
        c->shutter = 2;
        c->outputs |= WIRE_HALF_PRESSED | WIRE_FULL_PRESSED;
        c->shutter_at += c->open_ticks;
    } else {
        core_release(c);
    }
}

static bool needs_host(const struct core *c)
{
    return (motion_moving(c) && !c->halting) || c->shutter;
}

static uint32_t idle_due(const struct core *c)
{
    return c->rest_at + (uint32_t)c->keys[WIRE_KEY_IDLE_MS] * CORE_TICKS_MS;
}

static void advance(struct core *c, uint32_t now)
{
    c->uptime_ticks += now - c->now;
    c->now = now;
    if (c->uptime_ticks >= 64 * (uint32_t)CORE_TICKS_MS) {
        c->uptime_ms += c->uptime_ticks / CORE_TICKS_MS;
        c->uptime_ticks %= CORE_TICKS_MS;
    }
    for (; c->uptime_ticks >= CORE_TICKS_MS; c->uptime_ticks -= CORE_TICKS_MS)
        c->uptime_ms++;
}

void core_task(struct core *c, uint8_t inputs, uint32_t now)
{
    advance(c, now);
    if (!c->running) motion_sample(c, inputs, now);
    if (motion_moving(c)) {
        motion_fill(c);
        if (!c->running) move_over(c);
    }
    look_at_inputs(c);
    run_shutter(c);
    if (needs_host(c) && !tick_before(now, c->heard_at + HOST_LOSS_TICKS)) core_halt(c, WIRE_HOST_LOST);
    if (c->idle_waits && !tick_before(now, idle_due(c))) {
        c->idle_waits = false;
        c->outputs |= WIRE_MOTOR_REDUCED;
    }
}

static void earlier(const struct core *c, uint32_t *due, uint32_t at)
{
    if (tick_before(at, c->now)) at = c->now;
    if (tick_before(at, *due)) *due = at;
}

uint32_t core_task_due(const struct core *c)
{
    uint32_t due = c->now + HEARTBEAT_TICKS;
    if (motion_moving(c) && !c->running) earlier(c, &due, c->now);
    if (!c->running && c->sampled != c->inputs) earlier(c, &due, c->sampled_at + CORE_SAMPLE);
    if (c->shutter) earlier(c, &due, c->shutter_at);
    if (needs_host(c)) earlier(c, &due, c->heard_at + HOST_LOSS_TICKS);
    if (c->idle_waits) earlier(c, &due, idle_due(c));
    return due;
}

/* --- the line --- */

void core_send(struct core *c, const char *text, uint8_t count)
{
    if (c->out_at < c->out_count) return; /* still busy with an answer: this one is asked for again */
    for (uint8_t i = 0; i < count; i++)
        c->out[i] = text[i];
    c->out_count = count;
    c->out_at = 0;
}

bool core_take(struct core *c, uint8_t *byte)
{
    if (c->out_at == c->out_count) return false;
    *byte = (uint8_t)c->out[c->out_at++];
    return true;
}

static void line_over(struct core *c)
{
    uint8_t count = c->line_count;
    bool spoilt = c->line_spoilt, muted = c->line_muted;
    c->line_count = 0;
    c->line_spoilt = false;
    c->line_muted = false;
    if (muted || (!count && !spoilt)) return;
    if (c->out_at != c->out_count)
        return; /* the answer before has not left yet: asked too early, ask again */
    if (spoilt)
        c->badlines++;
    else
        words_line(c, c->line, count);
}

void core_byte(struct core *c, uint8_t byte, uint8_t inputs, uint32_t now)
{
    if (byte == '*' && c->star) {
        core_task(c, inputs, now);
        c->line_muted = true; /* what is left of this line means nothing */
        core_halt(c, WIRE_HALTED);
        return;
    }
    c->star = byte == '*';
    if (byte == '\r') return;
    if (byte == '\n') {
        core_task(c, inputs, now);
        line_over(c);
    } else if (c->line_count < WIRE_REQUEST_MOST) {
        c->line[c->line_count++] = (char)byte;
    } else {
        c->line_spoilt = true;
    }
}

void core_init(struct core *c, const struct core_port *port, uint16_t nonce, enum core_cause cause,
               uint8_t inputs, uint32_t now)
{
    struct wire_out boot;
    *c = (struct core){.port = *port, .nonce = nonce, .now = now, .heard_at = now, .rest_at = now};
    c->hold = 1;
    c->low = -WIRE_FURTHEST;
    c->high = WIRE_FURTHEST;
    c->inputs = c->sampled = inputs;
    settings_load(c);
    if (!c->settings_good) {
        c->phase = WIRE_ALARM;
        c->alarm = WIRE_NO_SETTINGS;
    }
    wire_begin(&boot, 0, WIRE_REPLY_MOST);
    wire_hex4(&boot, nonce);
    wire_word(&boot, "up");
    wire_int(&boot, (int32_t)cause);
    if (wire_end(&boot)) core_send(c, boot.text, boot.count);
}
