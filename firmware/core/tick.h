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
    return (inputs == c->inputs && !c->wary) || core_look(c, inputs, now);
}

enum core_next { CORE_OVER, CORE_ANOTHER_RUN, CORE_SAME_RUN };

/* The edge that might go out has gone out: counts it and works out the next. CORE_SAME_RUN: which comes less
 * than 65536 ticks later. */
static inline enum core_next core_stepped(struct core *c)
{
    struct core_run *run = c->run;
    if (c->wary && c->guard) core_count_guard(c);
    uint16_t steps = run->steps;
    run->steps = --steps;
    if (!steps) return core_next_run(c);
    uint16_t part = (uint16_t)(run->part + run->more), low = run->low;
    uint16_t next = (uint16_t)(low + run->every + (part < run->more));
    run->part = part;
    run->low = next;
    if (next <= low) run->high++; /* once around */
    if (!run->far) return CORE_SAME_RUN;
    run->high = (uint16_t)(run->high + run->far);
    return CORE_ANOTHER_RUN;
}

#endif
