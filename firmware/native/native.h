/* native.h - the virtual rail controller: firmware/core, run by a scheduler instead of a chip. What its pins
 * would touch comes in as calls, so it needs no simulated world: edge -> world_step, switches <-
 * world_switches. Lives on the scheduler's thread. */
#ifndef STADDLE_FIRMWARE_NATIVE_H
#define STADDLE_FIRMWARE_NATIVE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "base/sched.h"

struct core;
struct native_rail;

struct native_rail_opts {
    void *arg; /* of the calls below; each may be NULL */
    void (*edge)(void *arg, int64_t at_ns,
                 int dir); /* scheduler time in ns, never going back; +1 away from the camera */
    void (*switches)(void *arg, bool *near_pressed, bool *far_pressed);
    bool (*emergency)(void *arg);                 /* true: pressed */
    void (*outputs)(void *arg, unsigned outputs); /* changed just now: bits of enum wire_output */
    uint64_t seed;                                /* of the boot nonces */
    uint32_t first_tick; /* what the tick counter shows at time 0 (tests of its wrap) */
    bool blank_storage;  /* a controller that was never set up: refuses to move until parameters are saved */
};

struct native_rail *native_rail_new(struct sched *, const struct native_rail_opts *, struct err *);
void native_rail_free(struct native_rail *); /* NULL is fine */

/* The other end of the line: bytes that the controller sends go to `send` at once. */
void native_rail_connect(struct native_rail *, void (*send)(void *arg, const uint8_t *bytes, size_t count),
                         void *arg);
void native_rail_receive(struct native_rail *, const uint8_t *bytes, size_t count);

/* Power gone and back: parameters stay, position and sequence are lost, a new nonce. */
void native_rail_reset(struct native_rail *);
/* The host sleeps: what the controller's own clock would do a second later. */
void native_rail_lose_host(struct native_rail *);
/* A switch or the emergency button changed while nothing else happens. */
void native_rail_look(struct native_rail *);

/* --- for tests --- */
int64_t native_rail_edges(const struct native_rail *,
                          int64_t *net_out);              /* pulses so far; their sum by direction */
unsigned native_rail_outputs(const struct native_rail *); /* bits of enum wire_output */
/* The two stored parameter slots, to be damaged. */
uint8_t *native_rail_storage(struct native_rail *, size_t *count_out);

/* The core itself, to be looked at. */
const struct core *native_rail_core(const struct native_rail *);

#endif
