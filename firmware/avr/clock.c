/* clock.c - timer 1 runs freely at 2 MHz, the tick rate of the wire; its overflows are the upper half of the
 * time. */
#include "firmware/avr/port.h"

#include <avr/sleep.h>
#include <util/atomic.h>

#define SOON 40  /* ticks; not worth sleeping for */
#define NAP  400 /* ticks, 200 us, while the motor turns */

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

EMPTY_INTERRUPT(TIMER2_OVF_vect)

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

/* Timer 2 wakes: it shares no register with the steps. Rather too early than too late. */
static void set_alarm(uint16_t ticks)
{
    if (ticks >= 2048) { /* by 1024: 128 ticks a count */
        TCCR2B = (1 << CS22) | (1 << CS21) | (1 << CS20);
        ticks >>= 7;
    } else { /* by 64 */
        TCCR2B = (1 << CS22);
        ticks >>= 3;
    }
    TCNT2 = ticks > 255 ? 0 : (uint8_t)(256 - ticks);
    TIFR2 = (1 << TOV2);
    TIMSK2 = (1 << TOIE2);
}

void clock_sleep(void)
{
    if (!uart_quiet()) return;
    uint32_t wait = core_task_due(&core) - clock_now();
    if (wait > UINT32_C(0x7fffffff)) return;
    if (step_busy() && wait > NAP) wait = NAP; /* between edges the inputs have to be looked at */
    if (wait < SOON) return;
    set_alarm(wait > 0x7fff ? 0x7fff : (uint16_t)wait);
    pins_wake(true);
    cli();
    if (uart_quiet()) {
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
    pins_wake(false);
    TIMSK2 = 0;
    TCCR2B = 0;
}
