/* core.h - the whole face of the rail controller's core. Bytes, inputs and ticks go in; step edges, outputs,
 * bytes and the next due tick come out. Plain C, no registers, no malloc, no float, every size fixed here.
 * What its lines mean: hw-docs/wire.md.
 *
 * Two contexts. *tick*: core_tick, from the timer's interrupt; bounded, never divides, never waits. *task*:
 * everything else, from the main loop. What they share is marked `tick` below; task reads wide ones until two
 * reads agree.
 *
 *     bytes -> core_byte -> (line) -> plan of a move -> core_task fills -> queue of runs -> core_tick -> step
 * edges
 *
 *  1. Nothing moves, and no output is on but the motor's holding current, until a request says so.
 *  2. The position changes only where a step edge goes out.
 *  3. Any doubt ends in one place: stop stepping, keep the position, say why. */
#ifndef STADDLE_FIRMWARE_CORE_H
#define STADDLE_FIRMWARE_CORE_H

#include "staddle/wire.h"

#define CORE_VERSION    100                   /* 1.0.0 */
#define CORE_TICKS_MS   (WIRE_TICK_HZ / 1000) /* also the length of one slot of a ramp */
#define CORE_QUEUE      4                     /* runs between task and tick; a power of two */
#define CORE_STORE_SIZE (4 + 4 * WIRE_KEYS + 2)
#define CORE_PHASE_MOST 65535 /* steps of a shaped move */

/* Wrapping times: compare them in no other way. Right as long as they lie less than half the range apart. */
static inline bool tick_before(uint32_t a, uint32_t b)
{
    return a - b > UINT32_C(0x7fffffff);
}

enum core_cause { CORE_POWER_ON, CORE_RESET_PIN, CORE_BROWN_OUT, CORE_WATCHDOG };

/* What the port lends the core. Storage: two slots of CORE_STORE_SIZE bytes, false when that failed. */
struct core_port {
    void *arg;
    bool (*load)(void *arg, uint8_t slot, uint8_t *bytes, uint8_t count);
    bool (*save)(void *arg, uint8_t slot, const uint8_t *bytes, uint8_t count);
};

/* Equal steps in a row: the first edge at tick `at`, the next ones num/den ticks apart, exactly. */
struct core_run {
    uint32_t at;
    uint32_t every, more, of, sum; /* interval every + more/of; sum: the fraction carried so far */
    uint16_t steps;
};

/* A piece of a move with one rate: `phase` 1/65536 steps in `ticks`. */
struct core_slot {
    uint32_t ticks, phase;
};

enum core_plan_kind { CORE_NO_PLAN, CORE_RAMP, CORE_SHAPE, CORE_SLOWING };

/* The rest of a move that is not in the queue yet (task). */
struct core_plan {
    uint8_t kind;
    uint32_t start;                      /* tick at which the next slot begins */
    uint32_t need;                       /* 1/65536 steps until the next edge */
    uint32_t rate;                       /* phase of the slot before */
    uint32_t up, level, down, top, rest; /* ramp: slots left, cruising phase, the left-over phase */
    uint32_t steepness;                  /* change of phase from slot to slot */
    uint8_t slots, slot;
    struct core_slot shaped[WIRE_SLOTS];
    bool single; /* a move of one step */
};

enum core_find {
    CORE_FIND_NOT,
    CORE_FIND_LEAVE,
    CORE_FIND_FAST,
    CORE_FIND_BACK,
    CORE_FIND_SLOW,
    CORE_FIND_CLEAR
};

struct core {
    struct core_port port;
    /* shared with tick */
    volatile int32_t position;
    volatile uint8_t head, tail; /* of the queue: task writes head, tick writes tail */
    volatile bool running;       /* edges are still to come */
    volatile bool whole;         /* the last run of the move is in the queue */
    volatile bool drop_queue;    /* task asks tick to stop before the next edge */
    volatile uint8_t stopped_by; /* tick: enum wire_alarm that ended the move, 0 none */
    volatile uint8_t inputs;     /* tick, and task at rest: debounced, bits of enum wire_switch */
    volatile uint8_t last_inputs;
    volatile uint8_t outputs; /* bits of enum wire_output */
    volatile bool forward;    /* direction of the steps */
    struct core_run queue[CORE_QUEUE];
    uint8_t heed, behind_clear;    /* switches that stop this move; steps until the switch behind counts */
    bool find_press, find_release; /* tick: what ends a leg of find */
    /* task */
    struct core_plan plan;
    int32_t target, low, high;
    uint8_t phase, known, alarm, hold, find, find_end;
    int32_t find_zero; /* position of the switch as it was counted */
    uint16_t nonce, shots, stops, badlines;
    uint32_t now, uptime_ms, uptime_ticks;
    uint32_t heard_at, rest_at, shutter_at;
    uint32_t half_ticks, open_ticks;
    bool idle_wait;
    int32_t keys[WIRE_KEYS];
    bool settings_good;
    uint8_t store_slot;
    uint16_t store_count;
    struct {
        struct core_slot slot[WIRE_SLOTS]; /* phase holds the share */
        uint8_t slots;
    } shapes[WIRE_SHAPES];
    uint8_t last_seq;
    char last_line[WIRE_REQUEST_MOST];
    uint8_t last_count;
    struct wire_out reply;
    char line[WIRE_REQUEST_MOST];
    uint8_t line_count;
    bool line_spoilt, line_muted, star;
    char out[WIRE_REPLY_MOST + 2];
    uint8_t out_count, out_at;
};

/* Starts the core; the boot line waits in core_take. `nonce` should differ from that of the boot before. */
void core_init(struct core *, const struct core_port *, uint16_t nonce, enum core_cause, uint8_t inputs,
               uint32_t now);

/* task: one byte from the line. `inputs`: bits of enum wire_switch, set where the contact is open. */
void core_byte(struct core *, uint8_t byte, uint8_t inputs, uint32_t now);
/* task: as often as the main loop comes round, and when core_due says so. */
void core_task(struct core *, uint8_t inputs, uint32_t now);
/* task: the next byte for the line; false when there is none. */
bool core_take(struct core *, uint8_t *byte);
/* tick: at or after the tick of core_step_due. True: one step edge is to go out now, in the direction
 * `forward`. */
bool core_tick(struct core *, uint8_t inputs, uint32_t now);
/* When core_tick has to be called next; false: no step is waiting. */
bool core_step_due(const struct core *, uint32_t *tick);
/* When core_task has to be called at the latest, were nothing else to happen. */
uint32_t core_task_due(const struct core *);

#endif
