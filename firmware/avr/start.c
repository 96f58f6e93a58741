/* start.c - what has to happen before anything else: a boot loader may leave the watchdog running at its
 * shortest time, and after a watchdog reset it stays on. */
#include "firmware/avr/port.h"

#include <avr/wdt.h>

/* What was set at reset; outside what the C start-up clears. */
static uint8_t flags __attribute__((section(".noinit")));

void start_early(void) __attribute__((naked, used, section(".init3")));
void start_early(void)
{
    flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

enum core_cause start_cause(void)
{
    if (flags & (1 << PORF)) return CORE_POWER_ON; /* brown-out is set with it as the supply rises */
    if (flags & (1 << WDRF)) return CORE_WATCHDOG;
    if (flags & (1 << BORF)) return CORE_BROWN_OUT;
    return CORE_RESET_PIN; /* also where a boot loader has cleared the flags */
}
