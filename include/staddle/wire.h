/* wire.h - the line that host and rail controller speak, version 1: one codec, built into both ends.
 * hw-docs/wire.md is its specification. Plain C99 with fixed-width integers only, so that an 8-bit controller
 * builds it too.
 *
 *    request   SEQ LEN WORD {INT} CRC LF                 at most 62 characters before LF
 *    reply     SEQ LEN NONCE ok|no {FIELD} CRC LF        at most 94
 *
 * Building: wire_begin, then wire_word / wire_int, then wire_end, which fills in LEN and CRC.
 * Reading: wire_open checks LEN, CRC and spacing; then wire_next_word / wire_next_int / wire_at_end.
 *  1. A line that wire_open takes has the length it names and the checksum it carries.
 *  2. Nothing here reads or writes past the sizes below. */
#ifndef STADDLE_WIRE_H
#define STADDLE_WIRE_H

#include <stdbool.h>
#include <stdint.h>

/* Tables that a small chip leaves in its flash, and how to read them; its build says otherwise. */
#ifndef WIRE_TABLE
#define WIRE_TABLE
#define WIRE_READ8(p)  (*(p))
#define WIRE_READ32(p) (*(p))
#endif

#define WIRE_MAJOR        1
#define WIRE_MINOR        0
#define WIRE_REQUEST_MOST 62
#define WIRE_REPLY_MOST   94
#define WIRE_TICK_HZ      2000000 /* what TICKS of a shape counts */
#define WIRE_SHAPES       4       /* ids 1..4; 0 is the ramp */
#define WIRE_SLOTS        8
#define WIRE_WHOLE        65536      /* the shares of a shape add up to this */
#define WIRE_FURTHEST     1073741824 /* 2^30: no position or target beyond it, either side */

/* Bits of hello's capability field. */
enum wire_cap { WIRE_CAP_FIND = 1, WIRE_CAP_SHAPES = 2, WIRE_CAP_FIRE = 4, WIRE_CAP_SAVE = 8 };

enum wire_phase { WIRE_REST, WIRE_MOVING, WIRE_FINDING, WIRE_STOPPED, WIRE_ALARM };
enum wire_known { WIRE_UNKNOWN, WIRE_COUNTED, WIRE_KNOWN };

/* Why it is stopped or in alarm: the alarm field of state. */
enum wire_alarm {
    WIRE_FINE = 0,
    WIRE_EMERGENCY = 1,    /* the emergency input is open */
    WIRE_BROKEN_WIRE = 2,  /* both end switches open at once */
    WIRE_END_REACHED = 3,  /* ran into the end switch of its direction */
    WIRE_WRONG_SWITCH = 4, /* the switch behind it opened: swapped wires or motor */
    WIRE_NOT_FOUND = 5,    /* find went its whole span without meeting the switch */
    WIRE_UNDERRUN = 6,     /* the step queue ran dry */
    WIRE_NO_SETTINGS = 7,  /* both stored parameter slots are bad */
    WIRE_HALTED = 16,      /* two asterisks came */
    WIRE_HOST_LOST = 17    /* no valid line for a second while moving or with an output on */
};

/* Bits of state's switches and outputs fields. */
enum wire_switch { WIRE_NEAR_OPEN = 1, WIRE_FAR_OPEN = 2, WIRE_EMERGENCY_OPEN = 4 };
enum wire_output { WIRE_MOTOR_ON = 1, WIRE_MOTOR_REDUCED = 2, WIRE_HALF_PRESSED = 4, WIRE_FULL_PRESSED = 8 };

/* Keys of set and read. */
enum wire_key {
    WIRE_KEY_SPEED,      /* steps/s, top of the ramp */
    WIRE_KEY_ACCEL,      /* steps/s^2 */
    WIRE_KEY_JUMP,       /* steps/s from rest at once, and back to rest */
    WIRE_KEY_CREEP,      /* steps/s of the last approach of find */
    WIRE_KEY_IDLE_MS,    /* at rest so long: reduced current */
    WIRE_KEY_WAKE_US,    /* driver wake-up before the first step */
    WIRE_KEY_SHUTTER_MS, /* longest time that the shutter output is on */
    WIRE_KEY_SWITCHES,   /* which inputs are fitted: bits of enum wire_switch */
    WIRE_KEY_SPAN,       /* steps, furthest that find searches */
    WIRE_KEY_LEAVE,      /* steps within which a pressed switch has let go when moving off it */
    WIRE_KEY_CLEARANCE,  /* steps that find goes on after the switch has let go */
    WIRE_KEY_REVERSE,    /* 1: the motor turns the other way round */
    WIRE_KEY_SMOOTH_MS,  /* the ramp's acceleration comes and goes evenly within it, up to the next power of
                            two */
    WIRE_KEYS
};

/* CRC-16/MCRF4XX: polynomial 1021 reflected, starts at FFFF, no final exclusive or; "123456789" gives 6F91.
 */
#define WIRE_CRC_START 0xffffu
uint16_t wire_crc(uint16_t crc, uint8_t byte);

/* The sequence number after this one: 01..ff, then 01. */
uint8_t wire_seq_after(uint8_t seq);

struct wire_out {
    char text[WIRE_REPLY_MOST + 2]; /* with LF and a closing NUL after wire_end */
    uint8_t count;                  /* characters so far; after wire_end with LF */
    uint8_t most;
    bool too_long;
};

void wire_begin(struct wire_out *, uint8_t seq, uint8_t most);
void wire_word(struct wire_out *, const char *word);
void wire_int(struct wire_out *, int32_t value);
void wire_uint(struct wire_out *, uint32_t value);
void wire_hex4(struct wire_out *, uint16_t value);
bool wire_end(struct wire_out *); /* false: it did not fit, and is not to be sent */

struct wire_in {
    const char *text; /* borrowed: the line, without LF */
    uint8_t count;    /* up to and with the space before the CRC */
    uint8_t at;       /* the next unread character */
    uint8_t seq;
};

/* A line without its LF (and without CR). False: damaged, and nothing may be concluded from it. */
bool wire_open(struct wire_in *, const char *line, uint8_t count);
/* The next word, copied with a NUL; false when there is none or it does not fit. */
bool wire_next_word(struct wire_in *, char *word, uint8_t room);
/* The next decimal integer: digits without leading zeros, perhaps a minus; false when it is none or too
 * large. */
bool wire_next_int(struct wire_in *, int32_t *value);
bool wire_next_uint(struct wire_in *, uint32_t *value);
bool wire_next_hex4(struct wire_in *, uint16_t *value);
bool wire_at_end(const struct wire_in *);

#endif
