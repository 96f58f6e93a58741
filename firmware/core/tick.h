/* tick.h - the tick: what happens at a step edge. Inline, so that a chip's interrupt needs no calls on its
 * common path; everything rare is in motion.c. No division, no loop, no floating point, nothing left out by a
 * build. */
#ifndef STADDLE_FIRMWARE_TICK_H
#define STADDLE_FIRMWARE_TICK_H

#include "firmware/core/core.h"

/* May the next edge go out when its time comes? False: no, and the move has ended. Asked as often as the port
 * likes, with interrupts off; what it was told last holds. */
static inline bool core_may_step(struct core *c, uint8_t inputs, uint32_t now)
{
    if (inputs != c->inputs || (inputs & c->fitted) || c->wary || c->quit) return core_look(c, inputs, now);
    c->sampled = inputs;
    return true;
}

/* The edge that might go out has gone out: counts it and works out the next. False: it was the last one. */
static inline bool core_stepped(struct core *c)
{
    struct core_run *run = &c->queue[c->tail & (CORE_QUEUE - 1)];
    if (c->forward)
        c->position++;
    else
        c->position--;
    if (c->guard) core_count_guard(c);
    if (--run->steps == 0) return core_next_run(c);
    uint16_t part = (uint16_t)(run->part + run->more);
    uint32_t at = run->at + run->every;
    if (part < run->more) at++;
    run->part = part;
    run->at = at;
    return true;
}

#endif
