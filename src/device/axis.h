/* axis.h - something that moves the plane of focus. axis_rail.c: the serial rail controller.
 * Positions are counts (one microstep), positive away from the camera. Nothing here waits: move_to starts,
 * the axis keeps its own picture of the device up to date, and `notice` is called when that picture changed.
 * One thread owns it. */
#ifndef STADDLE_DEVICE_AXIS_H
#define STADDLE_DEVICE_AXIS_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "base/sched.h"

enum axis_cap {
    AXIS_HOMES = 1 << 0,
    AXIS_ABSOLUTE = 1 << 1, /* knows its position once homed */
    AXIS_LIMITS = 1 << 2,
    AXIS_SHAPES = 1 << 3,           /* takes a shape and moves by it */
    AXIS_WAITS_FOR_PERSON = 1 << 4, /* a move takes as long as a person does */
    AXIS_BY_PICTURE = 1 << 5,       /* counts only; where it stands after a loss is to be found by picture */
};

enum axis_phase { AXIS_STARTING, AXIS_REST, AXIS_MOVING, AXIS_FINDING, AXIS_STOPPED, AXIS_ALARM, AXIS_GONE };
enum axis_known { AXIS_UNKNOWN, AXIS_COUNTED, AXIS_KNOWN };

struct axis_state {
    enum axis_phase phase;
    enum axis_known known;
    int64_t position_counts;
    int64_t target_counts; /* of the last accepted move */
    int64_t uncertainty_counts;
    int64_t rest_at_us; /* when the last move ended (or is promised to end), scheduler time */
    int64_t nonce;      /* of the controller's boot; -1: never heard */
    bool asking;        /* not all that it was asked has been answered */
    struct err why;     /* ALARM, GONE, STOPPED by a fault */
};

/* A shaped move: at most 8 slots of constant rate; the shares add up to 65536. */
#define AXIS_SLOTS_MOST 8
struct axis_slot {
    int64_t us;
    int32_t share;
};

enum axis_hold { AXIS_HOLD_NOT, AXIS_HOLD_REDUCED, AXIS_HOLD_FULL }; /* motor current at rest */

/* Parameters that the axis keeps by itself; which there are is the axis' business (the rail: enum wire_key).
 */
enum axis_key_do { AXIS_KEY_READ, AXIS_KEY_SET, AXIS_KEY_SAVE };

/* What became of the last one asked. */
struct axis_key_state {
    bool waiting;
    int32_t value;  /* READ */
    struct err why; /* refused */
};

/* What became of the shutter's contacts, which some axes close, too. */
enum axis_fire_end {
    AXIS_FIRED,        /* they close, and open again by the axis' own clock */
    AXIS_FIRE_REFUSED, /* nothing was pressed */
    AXIS_FIRE_UNSEEN /* nobody can tell, or they were let go early: the axis was lost sight of, or stopped */
};

struct axis_fire_answer {
    enum axis_fire_end end;
    int64_t early_us, late_us; /* FIRED: the first contact closed between these two, scheduler time */
    struct err why;            /* REFUSED, UNSEEN */
};

struct axis;

struct axis_ops {
    const char *name;
    unsigned caps;                                                      /* enum axis_cap bits */
    int (*move_to)(struct axis *, int64_t target_counts, struct err *); /* starts; E_STATE when not at rest */
    int (*poll)(struct axis *, struct axis_state *out, struct err *);   /* the latest picture; never blocks */
    int (*halt)(struct axis *, struct err *);                           /* legal in any state */
    int (*clear)(struct axis *, struct err *); /* after halt or alarm: may move again */
    int (*home)(struct axis *, struct err *);  /* NULL unless AXIS_HOMES */
    int (*limits)(struct axis *, int64_t lo_counts, int64_t hi_counts,
                  struct err *);  /* NULL unless AXIS_LIMITS */
    void (*close)(struct axis *); /* releases outputs, frees; NULL is fine */
    /* All below may be NULL; none moves at once except jog and move_shaped. */
    int (*jog)(struct axis *, int64_t distance_counts, struct err *); /* also where the position is unknown */
    int (*here)(struct axis *, int64_t position_counts,
                struct err *); /* it stands at this position: now known */
    int (*shape)(struct axis *, const struct axis_slot *, int count,
                 struct err *);                                             /* of the next move_shaped */
    int (*move_shaped)(struct axis *, int64_t target_counts, struct err *); /* as move_to, by the shape */
    int (*hold)(struct axis *, enum axis_hold, struct err *);
    int (*drop)(struct axis *, struct err *); /* releases the shutter outputs */
    int (*key)(struct axis *, enum axis_key_do, int key, int32_t value, struct err *); /* also in alarm */
    void (*key_look)(const struct axis *, struct axis_key_state *out);
    /* GONE: tries to reach it again. Else: looks anew, whatever it said before. Phase STARTING until it has
     * answered, then what it is, or GONE again. Moves nothing. */
    int (*again)(struct axis *, struct err *);
    /* Closes the half-press contact, half_ms later the shutter's, and opens both open_ms after that. At rest,
     * and one at a time: `fired` brings what came of it. It is never asked for twice unless the axis itself
     * shows that nothing was pressed. */
    int (*fire)(struct axis *, int32_t half_ms, int32_t open_ms, struct err *);
    /* One order as a lens's motor takes it: signed counts, or the number of a named size, positive away from
     * the camera. The position is unknown afterwards: how far that is, is what one wants to know. */
    int (*order)(struct axis *, int32_t order, struct err *);
    /* From now on a named size is worth so many of the smallest. E_INPUT: there is no such size. */
    int (*worth)(struct axis *, int32_t size, int32_t counts, int32_t doubt_counts, struct err *);
};

/* A backend starts with this. */
struct axis {
    const struct axis_ops *ops;
    int32_t sizes; /* of a lens's motor that knows no counts: 1 is the smallest; 0: it counts */
    sched_fn *notice;
    void *notice_arg;
    /* Of the camera whose shutter hangs on this axis; NULL: none. On the owner's thread, once for each fire;
     * UNSEEN also without one, whenever the contacts may have been let go. */
    void (*fired)(void *arg, const struct axis_fire_answer *);
    void *fired_arg;
};

/* The same calls with the checks that every axis shares; E_UNSUPPORTED where the axis cannot. */
int axis_move_to(struct axis *, int64_t target_counts, struct err *);
int axis_poll(struct axis *, struct axis_state *out, struct err *);
int axis_halt(struct axis *, struct err *);
int axis_clear(struct axis *, struct err *);
int axis_home(struct axis *, struct err *);
int axis_limits(struct axis *, int64_t lo_counts, int64_t hi_counts, struct err *);
int axis_jog(struct axis *, int64_t distance_counts, struct err *);
int axis_here(struct axis *, int64_t position_counts, struct err *);
int axis_shape(struct axis *, const struct axis_slot *, int count, struct err *);
int axis_move_shaped(struct axis *, int64_t target_counts, struct err *);
int axis_hold(struct axis *, enum axis_hold, struct err *);
int axis_drop(struct axis *, struct err *);
/* One at a time: starts, and `notice` tells when axis_key_look says that it waits no more. */
int axis_key(struct axis *, enum axis_key_do, int key, int32_t value, struct err *);
struct axis_key_state axis_key_look(const struct axis *);
int axis_again(struct axis *, struct err *);
int axis_fire(struct axis *, int32_t half_ms, int32_t open_ms, struct err *);
int axis_order(struct axis *, int32_t order, struct err *);
int axis_worth(struct axis *, int32_t size, int32_t counts, int32_t doubt_counts, struct err *);
void axis_close(struct axis *); /* NULL is fine */

/* "at rest", "moving", ... for messages. */
const char *axis_phase_text(enum axis_phase);

#endif
