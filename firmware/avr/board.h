/* board.h - which pin does what, and the fuses: the ATmega328P at 16 MHz of the common hobby boards.
 * hw-docs/pins.md is the same table for people; a test compares the two.
 *
 * An output's pin is written before its direction is set, so that it never shows the wrong level; before
 * that, in reset and in the boot loader, it floats, and the resistor that pins.md names keeps it off. */
#ifndef STADDLE_FIRMWARE_BOARD_H
#define STADDLE_FIRMWARE_BOARD_H

/* To the driver module. */
#define DIR_PORT    PORTB
#define DIR_BIT     0 /* high: away from the camera, unless the parameter `reverse` is 1 */
#define STEP_PORT   PORTB
#define STEP_BIT    1 /* a step is its rising edge */
#define ENABLE_PORT PORTB
#define ENABLE_BIT  2 /* low: the driver has current; active low, as on the common modules */
#define REDUCE_PORT PORTB
#define REDUCE_BIT  3 /* high: reduced current, through the divider at the module's reference pin */

/* Lamp on the board. */
#define LAMP_PORT PORTB
#define LAMP_BIT  5

/* Contacts to ground that are closed as long as all is well, so that a torn wire reads as open: high. */
#define NEAR_PORT      PORTD
#define NEAR_BIT       2
#define FAR_PORT       PORTD
#define FAR_BIT        3
#define EMERGENCY_PORT PORTD
#define EMERGENCY_BIT  4

/* Optocouplers across the camera's remote-release contacts; high: closed. */
#define HALF_PORT PORTC
#define HALF_BIT  0
#define FULL_PORT PORTC
#define FULL_BIT  1

/* The line to the host. */
#define RECEIVE_PORT  PORTD
#define RECEIVE_BIT   0
#define TRANSMIT_PORT PORTD
#define TRANSMIT_BIT  1

/* ATmega328P data sheet, 'Fuse Bits': full-swing or low-power crystal with the longest start-up, brown-out at
 * 4.3 V (what 16 MHz needs), serial programming on, EEPROM kept when the chip is erased, no boot loader. */
#define FUSE_LOW_BYTE      0xff
#define FUSE_HIGH_BYTE     0xd1
#define FUSE_EXTENDED_BYTE 0xfc

#endif
