/* clock.c - timer 1 runs freely at 2 MHz, the tick rate of the wire; its overflows are the upper half of the
 * time. */
#include "firmware/avr/port.h"

#include <avr/sleep.h>
#include <util/atomic.h>

#define SOON 40 /* ticks; not worth sleeping for */

_Static_assert(F_CPU / 8 == WIRE_TICK_HZ, "timer 1 counts the wire's ticks");

volatile uint16_t clock_turns;

void clock_init(void)
{
    TCCR1A = 0;
    TCCR1B = (1 << CS11); /* by 8 */
    TIMSK1 = (1 << TOIE1);
    set_sleep_mode(SLEEP_MODE_IDLE);
}

ISR(TIMER1_OVF_vect)
{
    clock_turns++;
    pins_overflow();
}

EMPTY_INTERRUPT(TIMER1_COMPB_vect)

/* With interrupts on. They are off for seven cycles, for the counter's two halves go through one register; if
 * an overflow came in between, again. */
uint32_t clock_now(void)
{
    uint16_t low, high;
    uint8_t flags;
    do {
        high = clock_turns;
        cli();
        low = TCNT1;
        flags = TIFR1;
        sei();
    } while (high != clock_turns);
    if ((flags & (1 << TOV1)) && low < 0x8000) high++;
    return (uint32_t)high << 16 | low;
}

void clock_sleep(void)
{
    uint32_t wait = core_task_due(&core) - clock_now();
    if (wait < SOON || wait > UINT32_C(0x7fffffff)) return;
    if (wait <= 0xffff) {
        OCR1B = (uint16_t)(TCNT1 + (uint16_t)wait);
        TIFR1 = (1 << OCF1B);
        TIMSK1 |= (1 << OCIE1B);
    }
    pins_wake(true);
    cli();
    if (uart_quiet()) {
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
    TIMSK1 &= (uint8_t) ~(1 << OCIE1B);
    pins_wake(false);
}
