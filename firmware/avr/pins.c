#include "firmware/avr/port.h"

#include <util/atomic.h>

#define INPUTS   ((1 << NEAR_BIT) | (1 << FAR_BIT) | (1 << EMERGENCY_BIT))
#define SHUTTER  ((1 << HALF_BIT) | (1 << FULL_BIT))
#define HALF_MS  10000 /* longest half-press of the wire */
#define TURNS_MS 65536 / (WIRE_TICK_HZ / 1000)

/* Turns of the clock until the shutter contacts are let go whatever the core thinks; 0: they are open. */
static volatile uint16_t shutter_turns;
static volatile bool shutter_barred; /* let go so; until the core has let go, too */

_Static_assert(FAR_BIT == NEAR_BIT + 1 && EMERGENCY_BIT == NEAR_BIT + 2 && WIRE_NEAR_OPEN == 1 &&
                   WIRE_FAR_OPEN == 2 && WIRE_EMERGENCY_OPEN == 4,
               "pins_inputs shifts");

void pins_init(void)
{
    /* Levels first, then directions. */
    PORTB = (1 << ENABLE_BIT);
    PORTC = 0;
    PORTD = INPUTS | (1 << RECEIVE_BIT) | (1 << TRANSMIT_BIT); /* pull-ups; the idle line is high */
    DDRB = (1 << DIR_BIT) | (1 << STEP_BIT) | (1 << ENABLE_BIT) | (1 << REDUCE_BIT) | (1 << LAMP_BIT);
    DDRC = SHUTTER;
    DDRD = (1 << TRANSMIT_BIT);
    PCMSK2 = INPUTS;
}

void pins_wake(bool on)
{
    PCICR = on ? (1 << PCIE2) : 0;
}

EMPTY_INTERRUPT(PCINT2_vect)

static void follow_shutter(uint8_t out)
{
    bool wanted = out & (WIRE_HALF_PRESSED | WIRE_FULL_PRESSED);
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        if (!wanted) {
            shutter_turns = 0;
            shutter_barred = false;
        } else if (!shutter_turns && !shutter_barred) {
            /* ms x 2000 / 65536, and one turn for the one that has begun */
            uint32_t most_ms = (uint32_t)core.keys[WIRE_KEY_SHUTTER_MS] + HALF_MS;
            shutter_turns = (uint16_t)(most_ms * (WIRE_TICK_HZ / 1000) >> 16) + 2;
        }
        if (!wanted || shutter_barred)
            PORTC &= (uint8_t)~SHUTTER;
        else
            PORTC = (uint8_t)((PORTC & ~SHUTTER) | (out & WIRE_HALF_PRESSED ? 1 << HALF_BIT : 0) |
                              (out & WIRE_FULL_PRESSED ? 1 << FULL_BIT : 0));
    }
}

void pins_overflow(void)
{
    if (!shutter_turns || --shutter_turns) return;
    shutter_barred = true;
    PORTC &= (uint8_t)~SHUTTER;
}

/* Steady: at rest. Slow: moving. Quick: stopped or in alarm. */
static bool lamp_lit(void)
{
    uint8_t turns = (uint8_t)clock_turns;
    if (core.phase == WIRE_REST) return true;
    return turns & (core.phase == WIRE_STOPPED || core.phase == WIRE_ALARM ? 2 : 16);
}

static void pin(uint8_t bit,
                bool high) /* of port B; one instruction each, so that the tick may come between */
{
    switch (bit) {
    case ENABLE_BIT:
        if (high)
            PORTB |= 1 << ENABLE_BIT;
        else
            PORTB &= (uint8_t) ~(1 << ENABLE_BIT);
        break;
    case REDUCE_BIT:
        if (high)
            PORTB |= 1 << REDUCE_BIT;
        else
            PORTB &= (uint8_t) ~(1 << REDUCE_BIT);
        break;
    default:
        if (high)
            PORTB |= 1 << LAMP_BIT;
        else
            PORTB &= (uint8_t) ~(1 << LAMP_BIT);
    }
}

void pins_follow(void)
{
    static uint8_t shown; /* what the shutter pins were told last */
    uint8_t out = core.outputs, shutter = out & (WIRE_HALF_PRESSED | WIRE_FULL_PRESSED);
    pin(ENABLE_BIT, !(out & WIRE_MOTOR_ON));
    pin(REDUCE_BIT, out & WIRE_MOTOR_REDUCED);
    pin(LAMP_BIT, lamp_lit());
    if (shutter != shown) follow_shutter(out);
    shown = shutter;
}
