/* body.h - a camera body whose two buttons are wires: it knows contacts, a dial and a card, and no program.
 *
 *   (full press --> mirror up, for half a minute at most)
 *    full press --lag--> opens -- the dial's time, or as long as it is held (bulb) --> shuts --busy--> ready
 *
 * Pressed before it is ready it does nothing. Each frame is on the card, whole, when the shutter has shut. */
#ifndef STADDLE_SIM_BODY_H
#define STADDLE_SIM_BODY_H

#include "base/sched.h"
#include "sim/world.h"

struct body_clock {
    int64_t ahead_us; /* of the bench's clock when the body was switched on */
    double fast_ppm;
    bool whole_seconds; /* its files tell no fractions */
};

struct body_opts {
    struct sched *sched;
    struct world *world; /* borrowed; outlives the body */
    uint64_t seed;
    int64_t lag_us, busy_us;
    int64_t exposure_us; /* the dial */
    bool bulb, flash;
    bool mirror_up;   /* the first press raises the mirror, the second exposes */
    const char *card; /* a folder; made with the first frame; NULL: no card is in */
    struct body_clock clock;
    int64_t focal_length_nm;
    int threads; /* for one frame; at least 1 */
};

struct body;

struct body *body_new(const struct body_opts *, struct err *);
void body_free(struct body *); /* NULL is fine */

/* Both contacts, whenever one of them has changed. */
void body_contacts(struct body *, bool half, bool full);

/* --- the truth, for tests --- */
int32_t body_frames(const struct body *); /* on the card, by this body */
int64_t body_mirror_us(
    const struct body *); /* shortest time from its mirror going up to the shutter; 0: none */
int32_t body_ignored(const struct body *); /* presses that came too early */

#endif
