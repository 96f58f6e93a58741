/* step.c - step edges, from compare A of timer 1.
 *
 * What the interrupt does first was decided in the one before: if the edge is armed, the pin rises with the
 * second instruction. Then the edge is counted, the inputs are looked at, the next edge is armed or not, and
 * the pin falls. A match lies at most 32768 ticks ahead: an edge further away is waited for in several.
 *
 *     core says running -> step_follow -> [match: pin up, count, look, arm, pin down] ... -> core says ended
 */
#include "firmware/avr/port.h"
#include "firmware/core/tick.h"

#include <util/atomic.h>

#define ARMED     0 /* bit of GPIOR0, which two instructions can test and act upon without a register */
#define SOON      4 /* ticks, 2 us, to an edge whose time has passed: the pin is low for so long at least */
#define NEAR_MOST 0xff00
#define LATE_MOST 40 /* ticks: 20 us; more is an error of this firmware, and an alarm */
#define FAR_TICKS UINT16_C(0x8000)
#define LOOK      200 /* ticks between looks at the inputs */
#define CLEAR_OF  100 /* ticks before a match in which the loop leaves interrupts on */

static volatile bool stepping;
static uint32_t looked;

bool step_busy(void)
{
    return stepping;
}

static inline void stop(void)
{
    GPIOR0 &= (uint8_t) ~(1 << ARMED);
    TIMSK1 &= (uint8_t) ~(1 << OCIE1A);
    stepping = false;
}

/* Aims the match at the next edge and arms it, or at some time on the way there. With interrupts off. */
static inline void aim(void)
{
    uint32_t now = clock_here(), due = (uint32_t)core.run->high << 16 | core.run->low;
    int32_t wait = (int32_t)(due - now);
    if (wait > NEAR_MOST) {
        GPIOR0 &= (uint8_t) ~(1 << ARMED);
        OCR1A = (uint16_t)((uint16_t)now + FAR_TICKS);
        return;
    }
    GPIOR0 |= 1 << ARMED;
    if (wait > 0) {
        OCR1A = (uint16_t)due;
        if ((uint16_t)(TCNT1 + 2 - (uint16_t)now) < (uint16_t)wait) return; /* it is still to come */
    } else if (wait < -LATE_MOST) {
        core_too_late(&core); /* never make good for it by quicker steps */
        return;
    }
    OCR1A = (uint16_t)(TCNT1 + SOON);
    TIFR1 = (1 << OCF1A);
}

ISR(TIMER1_COMPA_vect, ISR_NAKED)
{
    __asm__ volatile("sbic %0, %1\n\t"
                     "sbi %2, %3\n\t"
                     "rjmp __vector_step_counted" ::"I"(_SFR_IO_ADDR(GPIOR0)),
                     "I"(ARMED), "I"(_SFR_IO_ADDR(STEP_PORT)), "I"(STEP_BIT));
}

void __vector_step_counted(void) __attribute__((signal, used));
void __vector_step_counted(void)
{
    uint8_t in = pins_inputs();
    bool calm = in == core.inputs && !core.wary;
    if (GPIOR0 & (1 << ARMED)) {
        uint16_t from = core.run->low;
        enum core_next next = core_stepped(&core);
        if (next == CORE_SAME_RUN && calm) {
            uint16_t low = core.run->low;
            OCR1A = low;
            if ((uint16_t)(TCNT1 + 2 - from) < (uint16_t)(low - from)) goto down; /* it is still to come */
        }
    }
    if (core.running && (calm || core_look(&core, in, clock_here()))) aim();
    if (!core.running) stop();
down:
    STEP_PORT &= (uint8_t) ~(1 << STEP_BIT);
}

static void start(void)
{
    if (core_pin_forward(&core))
        DIR_PORT |= 1 << DIR_BIT;
    else
        DIR_PORT &= (uint8_t) ~(1 << DIR_BIT);
    pins_follow(); /* current on, before the driver's time to wake up */
    uint32_t now = clock_now(), first = now;
    core_step_due(&core, &first);
    if (tick_before(first, now + core.first_wait)) /* planning took longer than it may */
        core_delay(&core, now + core.first_wait - first);
    /* No match before the aimed one: none is near, and one that has been is forgotten. With interrupts on,
     * for the simulator lets go of the overflow's flag, too. */
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        OCR1A = (uint16_t)(TCNT1 - 1);
    }
    TIFR1 = (1 << OCF1A);
    looked = now;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        if (core_look(&core, pins_inputs(), now)) {
            stepping = true;
            aim();
            TIMSK1 |= (1 << OCIE1A);
        }
        if (!core.running) stop();
    }
}

void step_follow(void)
{
    if (!stepping) {
        if (core.running) start();
        return;
    }
    if (!core.quit && core.running) return;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        if (core.quit) core_look(&core, pins_inputs(), clock_here());
        stop();
    }
}

void step_look(void)
{
    uint32_t now = clock_now();
    if (!stepping || now - looked < LOOK) return;
    if (!core.run->far && core.run->every < 2 * LOOK) return; /* the edges themselves look often enough */
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        uint16_t left = (uint16_t)(OCR1A - TCNT1); /* first this, then: has it not been yet? */
        if (left > CLEAR_OF && !(TIFR1 & (1 << OCF1A)) && stepping && !core_look(&core, pins_inputs(), now))
            stop();
    }
    looked = now;
}
