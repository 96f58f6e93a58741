/* words.c - what the requests do. Each word is one function that changes nothing unless it is DONE. */
#include "firmware/core/parts.h"

#define FIRE_HALF_MOST 10000

/* Why a request is refused; 0: it is not. */
enum reason {
    DONE,
    NO_ARGS,
    NO_BUSY,
    NO_SEQ,
    NO_RANGE,
    NO_POSITION,
    NO_LIMIT,
    NO_ALARM,
    NO_SHAPE,
    NO_STORAGE
};

static const char *const REASONS[] = {
    [NO_ARGS] = "args",
    [NO_BUSY] = "busy",
    [NO_SEQ] = "seq",
    [NO_RANGE] = "range",
    [NO_POSITION] = "unknown-position",
    [NO_LIMIT] = "limit",
    [NO_ALARM] = "alarm",
    [NO_SHAPE] = "shape",
    [NO_STORAGE] = "storage",
};

struct request {
    int32_t arg[4];
};

typedef enum reason word_fn(struct core *, const struct request *);

static bool in_reach(int32_t value)
{
    return value >= -WIRE_FURTHEST && value <= WIRE_FURTHEST;
}

/* Why nothing may start now. */
static enum reason not_now(const struct core *c)
{
    uint8_t open = core_pressed(c);
    if (c->phase == WIRE_STOPPED || c->phase == WIRE_ALARM) return NO_ALARM;
    if (motion_moving(c) || c->shutter) return NO_BUSY;
    if ((open & CORE_ENDS) == CORE_ENDS || (open & WIRE_EMERGENCY_OPEN)) return NO_ALARM;
    return DONE;
}

static enum reason word_hello(struct core *c, const struct request *r)
{
    (void)r;
    wire_int(&c->reply, WIRE_MAJOR);
    wire_int(&c->reply, WIRE_MINOR);
    wire_int(&c->reply, CORE_VERSION);
    wire_int(&c->reply, WIRE_CAP_FIND | WIRE_CAP_SHAPES | WIRE_CAP_FIRE | WIRE_CAP_SAVE);
    wire_int(&c->reply, WIRE_REQUEST_MOST);
    wire_int(&c->reply, WIRE_SLOTS);
    wire_int(&c->reply, WIRE_TICK_HZ);
    return DONE;
}

static enum reason word_state(struct core *c, const struct request *r)
{
    (void)r;
    wire_int(&c->reply, c->phase);
    wire_int(&c->reply, motion_position(c));
    wire_int(&c->reply, c->target);
    wire_int(&c->reply, c->known);
    wire_int(&c->reply, c->alarm);
    wire_int(&c->reply, c->inputs);
    wire_int(&c->reply, c->outputs);
    wire_int(&c->reply, c->shots);
    wire_int(&c->reply, c->stops);
    wire_uint(&c->reply, c->uptime_ms);
    wire_int(&c->reply, c->badlines);
    return DONE;
}

static enum reason move(struct core *c, int32_t target, int32_t shape)
{
    int64_t way = (int64_t)target - c->position;
    int32_t distance = (int32_t)way;
    uint32_t ms = 0;
    uint8_t ahead = distance > 0 ? WIRE_FAR_OPEN : WIRE_NEAR_OPEN;
    if (way > INT32_MAX || way < -INT32_MAX) return NO_RANGE;
    if (c->known != WIRE_UNKNOWN && (target < c->low || target > c->high)) return NO_LIMIT;
    if (distance && (core_pressed(c) & ahead)) return NO_LIMIT;
    if (distance && shape &&
        !motion_can_shape(c, (uint8_t)shape, distance < 0 ? 0u - (uint32_t)distance : (uint32_t)distance))
        return NO_SHAPE;
    c->target = target;
    if (distance) {
        struct core_move m = {.distance = distance,
                              .speed = (uint32_t)c->keys[WIRE_KEY_SPEED],
                              .shape = (uint8_t)shape,
                              .watch = CORE_WATCH_ENDS};
        ms = motion_start(c, &m);
        c->phase = WIRE_MOVING;
    }
    wire_uint(&c->reply, ms);
    wire_int(&c->reply, target);
    return DONE;
}

static enum reason word_go(struct core *c, const struct request *r)
{
    enum reason no = not_now(c);
    if (no) return no;
    if (!in_reach(r->arg[0]) || r->arg[1] < 0 || r->arg[1] > WIRE_SHAPES) return NO_RANGE;
    if (c->known == WIRE_UNKNOWN) return NO_POSITION;
    return move(c, r->arg[0], r->arg[1]);
}

static enum reason word_jog(struct core *c, const struct request *r)
{
    enum reason no = not_now(c);
    int32_t distance = r->arg[0];
    if (no) return no;
    if (!in_reach(distance) || r->arg[1] < 0 || r->arg[1] > WIRE_SHAPES) return NO_RANGE;
    if (distance > 0 ? c->position > WIRE_FURTHEST - distance : c->position < -WIRE_FURTHEST - distance)
        return NO_RANGE;
    return move(c, c->position + distance, r->arg[1]);
}

static enum reason word_shape(struct core *c, const struct request *r)
{
    int32_t id = r->arg[0], slot = r->arg[1], ticks = r->arg[2], share = r->arg[3];
    if (motion_moving(c)) return NO_BUSY;
    if (id < 1 || id > WIRE_SHAPES || slot < 0 || slot >= WIRE_SLOTS) return NO_RANGE;
    if (ticks < CORE_TICKS_MS / 10 || ticks > WIRE_TICK_HZ || share < 0 || share > WIRE_WHOLE)
        return NO_RANGE;
    if (slot > c->shape_slots[id - 1]) return NO_SHAPE;
    c->shapes[id - 1][slot] = (struct core_slot){(uint32_t)ticks, (uint32_t)share};
    c->shape_slots[id - 1] = (uint8_t)(slot + 1);
    wire_int(&c->reply, slot + 1);
    return DONE;
}

static enum reason word_find(struct core *c, const struct request *r)
{
    enum reason no = not_now(c);
    if (no) return no;
    if (r->arg[0] < 0 || r->arg[0] > 1) return NO_RANGE;
    if (!(c->keys[WIRE_KEY_SWITCHES] & (r->arg[0] ? WIRE_FAR_OPEN : WIRE_NEAR_OPEN))) return NO_RANGE;
    find_start(c, (uint8_t)r->arg[0]);
    return DONE;
}

static enum reason word_here(struct core *c, const struct request *r)
{
    enum reason no = not_now(c);
    if (no) return no;
    if (!in_reach(r->arg[0])) return NO_RANGE;
    c->position = r->arg[0];
    c->target = r->arg[0];
    c->known = WIRE_KNOWN;
    return DONE;
}

static enum reason word_limit(struct core *c, const struct request *r)
{
    if (motion_moving(c)) return NO_BUSY;
    if (!in_reach(r->arg[0]) || !in_reach(r->arg[1]) || r->arg[0] > r->arg[1]) return NO_RANGE;
    c->low = r->arg[0];
    c->high = r->arg[1];
    return DONE;
}

static enum reason word_fire(struct core *c, const struct request *r)
{
    enum reason no = not_now(c);
    if (no) return no;
    if (r->arg[0] < 0 || r->arg[0] > FIRE_HALF_MOST) return NO_RANGE;
    if (r->arg[1] < 1 || r->arg[1] > c->keys[WIRE_KEY_SHUTTER_MS]) return NO_RANGE;
    c->shots++;
    c->shutter = 1;
    c->outputs |= WIRE_HALF_PRESSED;
    c->shutter_at = c->now + (uint32_t)r->arg[0] * CORE_TICKS_MS;
    c->open_ticks = (uint32_t)r->arg[1] * CORE_TICKS_MS;
    wire_int(&c->reply, r->arg[0] + r->arg[1]);
    wire_int(&c->reply, c->shots);
    return DONE;
}

static enum reason word_drop(struct core *c, const struct request *r)
{
    (void)r;
    core_release(c);
    return DONE;
}

static enum reason word_hold(struct core *c, const struct request *r)
{
    if (motion_moving(c)) return NO_BUSY;
    if (r->arg[0] < 0 || r->arg[0] > 2) return NO_RANGE;
    c->hold = (uint8_t)r->arg[0];
    c->idle_waits = false;
    uint8_t motor = c->hold == 2 ? WIRE_MOTOR_ON : c->hold == 1 ? WIRE_MOTOR_ON | WIRE_MOTOR_REDUCED : 0;
    c->outputs = (uint8_t)((c->outputs & ~(WIRE_MOTOR_ON | WIRE_MOTOR_REDUCED)) | motor);
    if (!motor && c->known == WIRE_KNOWN) c->known = WIRE_COUNTED; /* the rotor falls to a detent */
    return DONE;
}

static enum reason word_clear(struct core *c, const struct request *r)
{
    uint8_t open = core_pressed(c);
    (void)r;
    if (motion_moving(c)) return NO_BUSY;
    if (!c->settings_good || (open & CORE_ENDS) == CORE_ENDS || (open & WIRE_EMERGENCY_OPEN)) return NO_ALARM;
    c->phase = WIRE_REST;
    c->alarm = WIRE_FINE;
    return DONE;
}

static enum reason word_set(struct core *c, const struct request *r)
{
    if (motion_moving(c) || c->shutter) return NO_BUSY;
    if (r->arg[0] < 0 || r->arg[0] >= WIRE_KEYS || !settings_in_range((uint8_t)r->arg[0], r->arg[1]))
        return NO_RANGE;
    c->keys[r->arg[0]] = r->arg[1];
    return DONE;
}

static enum reason word_read(struct core *c, const struct request *r)
{
    if (r->arg[0] < 0 || r->arg[0] >= WIRE_KEYS) return NO_RANGE;
    wire_int(&c->reply, c->keys[r->arg[0]]);
    return DONE;
}

static enum reason word_save(struct core *c, const struct request *r)
{
    (void)r;
    if (motion_moving(c) || c->shutter) return NO_BUSY;
    if (!settings_save(c)) return NO_STORAGE;
    wire_int(&c->reply, c->store_count);
    return DONE;
}

static const struct {
    char word[7];
    uint8_t args;
} WORDS[] WIRE_TABLE = {
    {"hello", 0}, {"state", 0}, {"go", 2},    {"jog", 2},  {"shape", 4},
    {"find", 1},  {"here", 1},  {"limit", 2}, {"fire", 2}, {"drop", 0},
    {"hold", 1},  {"clear", 0}, {"set", 2},   {"read", 1}, {"save", 0},
};
static word_fn *const DOES[] = {
    word_hello, word_state, word_go,   word_jog,   word_shape, word_find, word_here, word_limit,
    word_fire,  word_drop,  word_hold, word_clear, word_set,   word_read, word_save,
};
#define HELLO      0 /* row */
#define WORD_COUNT ((unsigned)(sizeof WORDS / sizeof *WORDS))

/* Is it the word of that row? */
static bool is_word(unsigned row, const char *word)
{
    const char *at = WORDS[row].word;
    for (;; at++, word++) {
        char c = (char)WIRE_READ8(at);
        if (c != *word) return false;
        if (!c) return true;
    }
}

static void answer(const struct core *c, struct wire_out *o, uint8_t seq, enum reason no)
{
    wire_begin(o, seq, WIRE_REPLY_MOST);
    wire_hex4(o, c->nonce);
    wire_word(o, no ? "no" : "ok");
    if (no) wire_word(o, REASONS[no]);
}

static enum reason carry_out(struct core *c, struct wire_in *in, const char *word)
{
    struct request r;
    for (unsigned w = 0; w < WORD_COUNT; w++) {
        if (!is_word(w, word)) continue;
        uint8_t args = (uint8_t)WIRE_READ8(&WORDS[w].args);
        for (uint8_t i = 0; i < args; i++)
            if (!wire_next_int(in, &r.arg[i])) return NO_ARGS;
        if (!wire_at_end(in)) return NO_ARGS;
        return DOES[w](c, &r);
    }
    return NO_ARGS;
}

static bool is_last(const struct core *c, const char *line, uint8_t count)
{
    if (count != c->last_count) return false;
    for (uint8_t i = 0; i < count; i++)
        if (line[i] != c->last_line[i]) return false;
    return true;
}

static void keep_line(struct core *c, const char *line, uint8_t count)
{
    for (uint8_t i = 0; i < count; i++)
        c->last_line[i] = line[i];
    c->last_count = count;
}

static void refuse_sequence(struct core *c, uint8_t seq)
{
    struct wire_out o;
    answer(c, &o, seq, NO_SEQ);
    if (wire_end(&o)) core_send(c, o.text, o.count);
}

/* One line for a person at a terminal; it can ask, not act. */
static void answer_by_hand(struct core *c)
{
    static const char *const PHASE[] = {"rest", "moving", "finding", "stopped", "alarm"};
    static const char *const KNOWN[] = {"unknown", "counted", "known"};
    struct wire_out o = {.most = WIRE_REPLY_MOST};
    wire_word(&o, PHASE[c->phase]);
    wire_word(&o, "at");
    wire_int(&o, motion_position(c));
    wire_word(&o, KNOWN[c->known]);
    wire_word(&o, "target");
    wire_int(&o, c->target);
    wire_word(&o, "alarm");
    wire_int(&o, c->alarm);
    wire_word(&o, "switches");
    wire_int(&o, c->inputs);
    o.text[0] = '=';
    o.text[o.count++] = '\n';
    core_send(c, o.text, o.count);
}

void words_line(struct core *c, const char *line, uint8_t count)
{
    struct wire_in in;
    char word[7];
    enum reason no;
    if (count == 1 && line[0] == '=') {
        answer_by_hand(c);
        return;
    }
    if (!wire_open(&in, line, count)) {
        c->badlines++;
        return;
    }
    c->heard_at = c->now;
    if (is_last(c, line, count)) {
        core_send(c, c->reply.text, c->reply.count);
        return;
    }
    if (!wire_next_word(&in, word, sizeof word)) word[0] = '\0';
    if (in.seq == 0 || (in.seq != wire_seq_after(c->last_seq) && !is_word(HELLO, word))) {
        refuse_sequence(c, in.seq);
        return;
    }
    answer(c, &c->reply, in.seq, DONE);
    if ((no = carry_out(c, &in, word))) answer(c, &c->reply, in.seq, no);
    if (!wire_end(&c->reply)) return; /* cannot be: every reply fits */
    c->last_seq = in.seq;
    keep_line(c, line, count);
    core_send(c, c->reply.text, c->reply.count);
}
