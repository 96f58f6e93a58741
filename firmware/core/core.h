/* core.h - the whole face of the rail controller's core. Bytes, inputs and ticks go in; step edges, outputs,
 * bytes and the next due tick come out. Plain C, no registers, no malloc, no float, every size fixed here.
 * What its lines mean: hw-docs/wire.md.
 *
 *     bytes -> core_byte -> line -> word -> plan of a move -> core_task fills -> queue of runs -> core_tick
 * -> edges
 *
 * Two contexts. *tick*: core_tick, from the timer's interrupt; bounded, never divides, never waits. *task*:
 * all the rest, from the main loop. What they share is marked `tick` below; task reads the wide one until two
 * reads agree.
 *
 *  1. Nothing moves and no output comes on at start-up, nor later unless a request says so.
 *  2. The position changes only where a step edge goes out.
 *  3. Any doubt ends in one place: stop stepping, keep the position, say why. */
#ifndef STADDLE_FIRMWARE_CORE_H
#define STADDLE_FIRMWARE_CORE_H

#include "staddle/wire.h"

#define CORE_VERSION    100                   /* 1.0.0 */
#define CORE_TICKS_MS   (WIRE_TICK_HZ / 1000) /* also the length of one slot of a ramp */
#define CORE_QUEUE      8                     /* runs between task and tick; a power of two; a whole shape */
#define CORE_SAMPLE     200 /* ticks, 100 us: two equal samples of a switch so far apart count */
#define CORE_STORE_SIZE (4 + 4 * WIRE_KEYS + 2)
#define CORE_SHAPED     32767 /* steps of a shaped move at most */

/* Wrapping times: compare them in no other way. Right as long as they lie less than half the range apart. */
static inline bool tick_before(uint32_t a, uint32_t b)
{
    return a - b > UINT32_C(0x7fffffff);
}

enum core_cause { CORE_POWER_ON, CORE_RESET_PIN, CORE_BROWN_OUT, CORE_WATCHDOG };

/* What the port lends the core: two slots of lasting storage, CORE_STORE_SIZE bytes each. False when it
 * failed. */
struct core_port {
    void *arg;
    bool (*load)(void *arg, uint8_t slot, uint8_t *bytes, uint8_t count);
    bool (*save)(void *arg, uint8_t slot, const uint8_t *bytes, uint8_t count);
    uint16_t lead;   /* ticks that it may take from a request to the direction pin and the driver's enable */
    uint16_t notice; /* ticks from a request's last byte to core_byte, at most */
};

/* Steps at one rate: the first edge at tick high:low, the next ones far:every + more/65536 ticks apart.
 * Halves, because the upper ones seldom matter and a small chip adds 16 bits in half the time. */
struct core_run {
    uint16_t low, high;
    uint16_t every, far;
    uint16_t part, more;   /* 1/65536 ticks: carried so far, and added at each edge */
    uint16_t steps, whole; /* still to come; at first */
    bool last;             /* the move ends with it */
};

/* A piece of a move at one rate: `phase` 1/65536 steps go by in `ticks`. In a stored shape, `phase` is the
 * share. */
struct core_slot {
    uint32_t ticks, phase;
};

enum core_plan_kind { CORE_PLAN_NONE, CORE_PLAN_RAMP, CORE_PLAN_SHAPE, CORE_PLAN_SLOWING };

/* Speeds that climb and fall by equal amounts, slot by slot: what is still to come of them. */
struct core_ramp {
    uint32_t rate;      /* the last one */
    uint32_t up, level; /* slots left that climb, that cruise */
    uint32_t odd;       /* the left-over speed, slipped in where it fits on the way down */
    uint32_t down;      /* next speed on the way down */
};

/* What is not in the queue yet of a move. Speeds are 1/65536 steps in a slot of one millisecond. A ramp's are
 * the mean of the last 2^smooth of `ahead`: their sum gains what comes there and loses what came 2^smooth
 * slots before, which `behind` tells once more. */
struct core_plan {
    uint8_t kind;
    uint32_t start;        /* tick at which the next slot begins */
    uint32_t left;         /* edges that are not in the queue yet */
    uint32_t need;         /* 1/65536 steps from there to the next edge */
    uint32_t rate;         /* of the last slot that was taken */
    uint32_t steepness;    /* change of speed from slot to slot */
    struct core_slot pace; /* the last slot that made a run, */
    uint32_t every;        /* and how far apart its edges are */
    uint16_t more;
    struct core_ramp ahead, behind;
    uint32_t sum;         /* of the speeds that the mean is of */
    uint8_t smooth, odds; /* what is left over of the division by 2^smooth */
    uint8_t waits;        /* slots until `behind` begins */
    uint8_t slot;
    struct core_slot slots[WIRE_SLOTS]; /* shape */
};

enum core_leg {
    CORE_LEG_NONE, /* not finding */
    CORE_LEG_FAST, /* toward the switch until it opens */
    CORE_LEG_BACK, /* off it until it has closed, */
    CORE_LEG_AWAY, /* and on */
    CORE_LEG_SLOW, /* toward it again: here is zero */
    CORE_LEG_OFF,  /* off it, */
    CORE_LEG_CLEAR /* and on */
};

enum core_watch { CORE_WATCH_ENDS, CORE_WATCH_PRESS, CORE_WATCH_RELEASE };

struct core {
    struct core_port port;
    /* tick */
    volatile int32_t position;   /* where the current run began; motion_position adds what it has put out */
    struct core_run *run;        /* the current one */
    volatile uint8_t head, tail; /* of the queue: task moves head, tick moves tail */
    volatile bool running;       /* edges are still to come */
    volatile bool quit;          /* task asks tick to stop before the next edge */
    volatile uint8_t ended_by; /* why tick ended the move before its end: enum wire_alarm or CORE_LEG_ENDED */
    volatile uint8_t inputs, sampled; /* after debouncing; the last sample that differed */
    uint32_t sampled_at;
    uint32_t pace;            /* ticks between edges where the move ended */
    uint32_t first_wait;      /* ticks from direction and current to the first edge */
    volatile uint8_t outputs; /* bits of enum wire_output */
    volatile bool forward;    /* counting up */
    struct core_run queue[CORE_QUEUE];
    uint8_t watch;      /* enum core_watch */
    uint8_t fitted;     /* inputs that are heeded */
    uint8_t guard;      /* steps until the switch behind counts */
    volatile bool wary; /* inputs, or an end that was asked for, have to be looked at before each edge */
    uint16_t leave;     /* steps within which it has to let go */
    /* task: the move */
    struct core_plan plan;
    int32_t target, low, high;
    uint8_t phase, known, alarm, hold, leg, find_end;
    uint8_t halting; /* enum wire_alarm of the halt that is under way */
    uint32_t rest_at;
    bool idle_waits;
    /* task: the shutter */
    uint8_t shutter; /* 0 off, 1 half, 2 full */
    uint32_t shutter_at, open_ticks;
    uint16_t shots;
    /* task: time */
    uint32_t now, heard_at, uptime_ms, uptime_ticks;
    /* task: settings */
    int32_t keys[WIRE_KEYS];
    bool settings_good;
    uint8_t store_slot;
    uint16_t store_count;
    struct core_slot shapes[WIRE_SHAPES][WIRE_SLOTS];
    uint8_t shape_slots[WIRE_SHAPES];
    /* task: the line */
    uint16_t nonce, stops, badlines;
    uint8_t last_seq, last_count, line_count;
    bool line_spoilt, line_muted, star;
    char last_line[WIRE_REQUEST_MOST], line[WIRE_REQUEST_MOST];
    struct wire_out reply; /* to last_line */
    char out[WIRE_REPLY_MOST + 2];
    uint8_t out_count, out_at;
};

/* Starts the core; the boot line waits in core_take. `nonce` should differ from that of the boot before.
 * `inputs`, here and below: bits of enum wire_switch, set where the contact is open. */
void core_init(struct core *, const struct core_port *, uint16_t nonce, enum core_cause, uint8_t inputs,
               uint32_t now);

/* task: one byte from the line. */
void core_byte(struct core *, uint8_t byte, uint8_t inputs, uint32_t now);
/* task: as often as the main loop comes round, and when core_task_due says so. */
void core_task(struct core *, uint8_t inputs, uint32_t now);
/* task: the next byte for the line; false when there is none. */
bool core_take(struct core *, uint8_t *byte);
/* tick: at the tick of core_step_due, or later. True: one step edge goes out now, in the direction of
 * core_pin_forward. The two of tick.h in one, for a port that need not hurry. */
bool core_tick(struct core *, uint8_t inputs, uint32_t now);
/* The rare cases of tick.h. */
bool core_look(struct core *, uint8_t inputs, uint32_t now);
void core_count_guard(struct core *);
uint8_t core_next_run(struct core *); /* enum core_next */
/* tick: an edge has missed its time by more than a port can make good: ends the move as an error. */
void core_too_late(struct core *);
/* task, before the first edge of a move: everything comes so much later. */
void core_delay(struct core *, uint32_t ticks);
/* When core_tick has to be called next; false: no edge is waiting. */
bool core_step_due(const struct core *, uint32_t *tick);
/* When core_task has to be called at the latest if nothing else happens. */
uint32_t core_task_due(const struct core *);
/* Level of the direction pin. It changes at least 50 us before an edge. */
bool core_pin_forward(const struct core *);

#endif
