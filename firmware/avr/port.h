/* port.h - what the files of the chip's port share. start.c: before main. pins.c: inputs and outputs.
 * uart.c: the line. clock.c: time, and waiting. step.c: step edges. store.c: lasting parameters. main.c: the
 * loop.
 *
 * Interrupts, by priority: an input that changed and the alarm clock (timer 2), which only wake; step
 * (compare A of timer 1), overflow of the clock, receive, transmit. The step interrupt raises the pin with
 * its first instruction; so an edge is late at most by the longest other interrupt or stretch with interrupts
 * off, and none of those is longer than 60 cycles.
 */
#ifndef STADDLE_FIRMWARE_AVR_PORT_H
#define STADDLE_FIRMWARE_AVR_PORT_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "firmware/avr/board.h"
#include "firmware/core/core.h"

extern struct core core;

/* --- start.c --- */
enum core_cause start_cause(void); /* of this start */

/* --- pins.c --- */
void pins_init(void); /* before interrupts are on */
/* Bits of enum wire_switch, set where the contact is open. */
static inline uint8_t pins_inputs(void)
{
    return (uint8_t)((PIND >> NEAR_BIT) & (WIRE_NEAR_OPEN | WIRE_FAR_OPEN | WIRE_EMERGENCY_OPEN));
}
void pins_follow(void);   /* outputs and lamp as the core says */
void pins_overflow(void); /* from the clock's overflow: the hard limit of the shutter contacts */
void pins_wake(bool on);  /* a change of an input wakes */

/* --- uart.c --- */
void uart_init(void);
bool uart_take(uint8_t *byte); /* the next byte from the host */
bool uart_quiet(void);         /* nothing has come that was not taken */
void uart_feed(void);          /* moves what the core wants to say into the transmitter's ring */

/* --- clock.c --- */
extern volatile uint16_t clock_turns; /* of the 16-bit counter */
void clock_init(void);
uint32_t clock_now(void);
static inline uint32_t clock_here(void) /* with interrupts off */
{
    uint16_t low = TCNT1, high = clock_turns;
    if ((TIFR1 & (1 << TOV1)) && low < 0x8000) high++;
    return (uint32_t)high << 16 | low;
}
void clock_sleep(void); /* until something happens or core_task is due */

/* --- step.c --- */
void step_follow(void); /* after every call into the core: starts and stops stepping as the core says */
void step_look(void);   /* between edges that lie far apart: looks at the inputs */
bool step_busy(void);

/* --- store.c --- */
bool store_load(void *arg, uint8_t slot, uint8_t *bytes, uint8_t count);
bool store_save(void *arg, uint8_t slot, const uint8_t *bytes, uint8_t count);
uint16_t store_nonce(void); /* another one at each start */

#endif
