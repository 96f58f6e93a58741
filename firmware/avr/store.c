/* store.c - EEPROM: two slots of parameters, and a count of starts that the nonce is made of. The first bytes
 * stay unused: a supply that dies in a bad moment is known to spoil them first (common practice, no source).
 */
#include "firmware/avr/port.h"

#include <avr/eeprom.h>
#include <avr/wdt.h>

#define STARTS_AT 8
#define SLOT_AT   16
#define SLOT_NEXT 80

static uint8_t *place(uint8_t slot)
{
    return (uint8_t *)(SLOT_AT + (uint16_t)slot * SLOT_NEXT);
}

bool store_load(void *arg, uint8_t slot, uint8_t *bytes, uint8_t count)
{
    (void)arg;
    eeprom_read_block(bytes, place(slot), count);
    return true;
}

/* 3.4 ms for each byte that differs; nothing moves meanwhile. The core reads it back. */
bool store_save(void *arg, uint8_t slot, const uint8_t *bytes, uint8_t count)
{
    (void)arg;
    for (uint8_t i = 0; i < count; i++) {
        wdt_reset();
        eeprom_update_byte(place(slot) + i, bytes[i]);
    }
    eeprom_busy_wait();
    return true;
}

/* An odd number multiplies 16 bits one to one, so each of 65536 starts has its own; the upper half is turned
 * into the lower, so that neighbours look unlike. */
uint16_t store_nonce(void)
{
    uint16_t starts = (uint16_t)(eeprom_read_word((const uint16_t *)STARTS_AT) + 1);
    eeprom_update_word((uint16_t *)STARTS_AT, starts);
    uint16_t mixed = (uint16_t)(starts * 40503u);
    return (uint16_t)(mixed ^ mixed >> 8);
}
