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

#define ARMED     0  /* bit of GPIOR0, which two instructions can test and act upon without a register */
#define LATE      5  /* ticks from now to an edge whose time has passed: 2.5 us, for the pin's low time */
#define LATE_MOST 40 /* ticks: 20 us; more is an error of this firmware, and an alarm */
#define FAR_TICKS UINT16_C(0x8000)
#define LOOK      200 /* ticks between looks at the inputs */
#define CLEAR_OF  100 /* ticks before a match in which the loop leaves interrupts on */

static volatile bool stepping;
static uint32_t match; /* tick of the match that is waited for, as it should be */
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

/* Arms the edge, or waits some way toward it. With interrupts off, after the match at tick `from`. */
static inline void wait_next(uint32_t from)
{
    uint32_t next = core.queue[core.tail & (CORE_QUEUE - 1)].at;
    uint32_t wait = next - from;
    if (wait >> 16) {
        GPIOR0 &= (uint8_t) ~(1 << ARMED);
        next = from + FAR_TICKS;
        wait = FAR_TICKS;
    } else {
        GPIOR0 |= 1 << ARMED;
    }
    match = next;
    OCR1A = (uint16_t)next;
    uint16_t gone = (uint16_t)(TCNT1 - (uint16_t)from);
    if (gone < (uint16_t)wait) return;
    if (gone - (uint16_t)wait > LATE_MOST) { /* never make good for it by quicker steps */
        core_too_late(&core);
        return;
    }
    OCR1A = (uint16_t)(TCNT1 + LATE);
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
    uint32_t from = match;
    if (!(GPIOR0 & (1 << ARMED)) || core_stepped(&core))
        if (core_may_step(&core, pins_inputs(), from)) wait_next(from);
    if (!core.running) stop();
    STEP_PORT &= (uint8_t) ~(1 << STEP_BIT);
}

static void start(void)
{
    if (core_pin_forward(&core))
        DIR_PORT |= 1 << DIR_BIT;
    else
        DIR_PORT &= (uint8_t) ~(1 << DIR_BIT);
    pins_follow(); /* current on, before the driver's time to wake up */
    uint32_t now = clock_now(), ready = now + core.first_wait;
    uint32_t first = core.queue[core.tail & (CORE_QUEUE - 1)].at;
    if (tick_before(first, ready)) core_delay(&core, ready - first); /* planning took longer than it may */
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        now = clock_now();
        if (core_may_step(&core, pins_inputs(), now)) {
            stepping = true;
            wait_next(now);
            TIFR1 = (1 << OCF1A);
            TIMSK1 |= (1 << OCIE1A);
        }
        if (!core.running) stop();
        looked = now;
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
        if (core.quit) core_may_step(&core, pins_inputs(), clock_now());
        stop();
    }
}

void step_look(void)
{
    uint32_t now = clock_now();
    if (!stepping || now - looked < LOOK) return;
    ATOMIC_BLOCK(ATOMIC_FORCEON)
    {
        if (!(TIFR1 & (1 << OCF1A)) && (uint16_t)(OCR1A - TCNT1) > CLEAR_OF && stepping &&
            !core_may_step(&core, pins_inputs(), now))
            stop();
    }
    looked = now;
}
