/* flash.h - included before every file of the chip's build: constant tables stay in flash
 * (include/staddle/wire.h). By attribute and inline assembly: the named address space __flash of avr-gcc 5.4
 * loses its mark in a loop that counts by address, and reads RAM instead (seen in settings.c, found by the
 * simulated chip). */
#ifndef STADDLE_FIRMWARE_AVR_FLASH_H
#define STADDLE_FIRMWARE_AVR_FLASH_H

#include <avr/pgmspace.h>

#define WIRE_TABLE     PROGMEM
#define WIRE_READ8(p)  pgm_read_byte(p)
#define WIRE_READ32(p) pgm_read_dword(p)

#endif
