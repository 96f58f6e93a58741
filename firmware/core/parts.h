/* parts.h - what the files of the core share among themselves. motion.c: plans, queue, tick. find.c: homing.
 * words.c: requests. settings.c: parameters and their storage. core.c: bytes, time, and the end of every
 * doubt. */
#ifndef STADDLE_FIRMWARE_PARTS_H
#define STADDLE_FIRMWARE_PARTS_H

#include "firmware/core/core.h"

#define CORE_LEG_ENDED 255 /* ended_by: the switch that a leg of find looks for has changed */
#define CORE_ENDS      (WIRE_NEAR_OPEN | WIRE_FAR_OPEN)

/* --- motion.c --- */
struct core_move {
    int32_t distance; /* steps, not 0 */
    uint32_t speed;   /* steps/s of the ramp */
    uint16_t wait_ms; /* before it, beyond what the driver needs */
    uint8_t shape;    /* 0: the ramp */
    uint8_t watch;    /* enum core_watch */
};
/* False: the shape cannot make this move. */
bool motion_can_shape(const struct core *, uint8_t shape, uint32_t steps);
/* Starts stepping; returns the milliseconds until the last edge, rounded up. */
uint32_t motion_start(struct core *, const struct core_move *);
void motion_fill(struct core *);  /* task: keeps the queue full */
void motion_brake(struct core *); /* to rest by the shortest way that loses no step */
bool motion_moving(const struct core *);
int32_t motion_position(const struct core *);
bool motion_ended_fast(const struct core *); /* too fast to stop at once without losing steps */
void motion_sample(struct core *, uint8_t inputs, uint32_t now);

/* --- find.c --- */
void find_start(struct core *, uint8_t end);
bool find_go_on(struct core *, uint8_t ended_by); /* a leg is over; false: find is over */

/* --- settings.c --- */
void settings_load(struct core *);
bool settings_save(struct core *);
bool settings_in_range(uint8_t key, int32_t value);

/* --- words.c --- */
void words_line(struct core *, const char *line, uint8_t count);

/* --- core.c --- */
void core_alarm(struct core *, uint8_t alarm);
void core_halt(struct core *, uint8_t why);
void core_release(struct core *); /* the shutter outputs */
void core_send(struct core *, const char *text, uint8_t count);
uint8_t core_pressed(const struct core *); /* open inputs, also those seen only once yet */

#endif
