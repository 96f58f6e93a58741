/* find.c - homing: fast toward the switch, off it, slowly toward it again, which is zero, and off it.
 *
 *     FAST -> BACK -> AWAY -> SLOW -> (zero) -> OFF -> CLEAR -> rest          starts with BACK when the
 * switch is open
 *
 * No leg is faster than what may stop at once, so a switch is never overrun. */
#include "firmware/core/parts.h"

#define TURN_MS 20 /* at rest between two legs, for the motor's swing to die down (guess) */

static void start_leg(struct core *c, uint8_t leg)
{
    uint32_t jump = (uint32_t)c->keys[WIRE_KEY_JUMP], speed = (uint32_t)c->keys[WIRE_KEY_SPEED];
    uint32_t creep = (uint32_t)c->keys[WIRE_KEY_CREEP];
    int32_t length = c->keys[WIRE_KEY_CLEARANCE];
    struct core_move m = {.speed = speed < jump ? speed : jump, .watch = CORE_WATCH_ENDS, .wait_ms = TURN_MS};
    bool toward = leg == CORE_LEG_FAST || leg == CORE_LEG_SLOW;
    if (leg == CORE_LEG_FAST) length = c->keys[WIRE_KEY_SPAN];
    if (leg == CORE_LEG_SLOW) length = length + c->keys[WIRE_KEY_LEAVE] + 1000;
    if (leg == CORE_LEG_BACK || leg == CORE_LEG_OFF) length = c->keys[WIRE_KEY_LEAVE] + 1000;
    if (leg == CORE_LEG_SLOW && creep < m.speed) m.speed = creep;
    if (toward) m.watch = CORE_WATCH_PRESS;
    if (leg == CORE_LEG_BACK || leg == CORE_LEG_OFF) m.watch = CORE_WATCH_RELEASE;
    m.distance = toward == (c->find_end == 0) ? -length : length;
    c->leg = leg;
    motion_start(c, &m);
}

void find_start(struct core *c, uint8_t end)
{
    c->find_end = end;
    c->phase = WIRE_FINDING;
    start_leg(c, (core_pressed(c) & (end ? WIRE_FAR_OPEN : WIRE_NEAR_OPEN)) ? CORE_LEG_BACK : CORE_LEG_FAST);
}

bool find_go_on(struct core *c, uint8_t ended_by)
{
    bool looks = c->leg != CORE_LEG_AWAY && c->leg != CORE_LEG_CLEAR;
    if (looks && ended_by != CORE_LEG_ENDED) {
        core_alarm(c, WIRE_NOT_FOUND);
        return true;
    }
    if (c->leg == CORE_LEG_SLOW) {
        c->position = 0;
        c->known = WIRE_KNOWN;
    }
    if (c->leg == CORE_LEG_CLEAR) {
        c->leg = CORE_LEG_NONE;
        return false;
    }
    /* BACK follows FAST, and so on; a find that began with BACK has not looked fast: AWAY leads to SLOW all
     * the same. */
    start_leg(c, (uint8_t)(c->leg + 1));
    return true;
}
