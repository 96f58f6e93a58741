/* main.c - the rail controller on a chip: bytes into the core, what it says out to the pins. */
#include "firmware/avr/port.h"

#include <avr/wdt.h>

#define BYTES_A_TURN 24 /* between two calls of core_task, so that a busy line cannot starve the motion */

#define LEAD_TICKS   3000 /* 1.5 ms, measured in the simulated chip: planning takes 1.2 ms */
#define NOTICE_TICKS 200  /* 100 us, as well: a turn of the loop */

FUSES = {.low = FUSE_LOW_BYTE, .high = FUSE_HIGH_BYTE, .extended = FUSE_EXTENDED_BYTE};

struct core core;

static void follow(void)
{
    step_follow();
    pins_follow();
    uart_feed();
}

static void listen(void)
{
    uint8_t byte;
    uint32_t now = clock_now();
    for (uint8_t i = 0; i < BYTES_A_TURN && uart_take(&byte); i++) {
        core_byte(&core, byte, pins_inputs(), now);
        if (byte == '\n' || byte == '*') follow();
    }
}

int main(void)
{
    static const struct core_port PORT = {0, store_load, store_save, LEAD_TICKS, NOTICE_TICKS};
    pins_init();
    wdt_enable(WDTO_250MS);
    clock_init();
    sei();
    uart_init();
    core_init(&core, &PORT, store_nonce(), start_cause(), pins_inputs(), clock_now());
    for (;;) {
        wdt_reset();
        listen();
        core_task(&core, pins_inputs(), clock_now());
        follow();
        step_look();
        if (step_busy() == core.running) clock_sleep();
    }
}
