/* chip.h - more of the board that is the chip: what only a simulated chip shows.
 *
 * The simulator is libsimavr, somebody else's; what it gets wrong is put right here: it counts eleven bits to
 * a byte, answers interrupts in no time (so RESPONSE_CYCLES are added to every latency), writes EEPROM at
 * once, forgets the inputs' levels and the harness's timers at a reset, and drops a pending overflow of timer
 * 1 when another of its flags is cleared. */
#ifndef TESTS_CHIP_CHIP_H
#define TESTS_CHIP_CHIP_H

#include "tests/chip/board.h"

#define RESPONSE_CYCLES                                                                                      \
    8 /* 4 until the vector (data sheet, 'Interrupt Response Time'), 4 from idle sleep or RETI */

/* Rising or falling of an output. */
struct pin_change {
    int64_t cycle;
    char port;
    uint8_t bit;
    bool high;
};

struct chip_seen {
    /* step edges: cycles from the compare match to the pin, RESPONSE_CYCLES included */
    int64_t late[512];
    int64_t late_most;
    int64_t high_least, low_least, dir_least; /* cycles; -1: not seen */
    /* receive: from the byte's last bit to its interrupt */
    int64_t receive_most, received;
    int64_t sent_first, sent_last, sent; /* bytes out: cycles of the first and last, how many */
    int64_t send_gap_most;
    int64_t step_cycles_most; /* the step interrupt from its first instruction to its last */
    int64_t pulses_early;     /* rises of the step pin before the direction pin was an output */
};

struct chip_seen *chip_seen(struct board *);
void chip_see_anew(struct board *);
void *chip_avr(struct board *); /* avr_t */

/* Before the first: another build of the firmware, in this folder of the build, with so many cycles to a
 * byte. */
void chip_choose(const char *folder, int byte_cycles);

uint16_t chip_symbol(const char *name); /* address in RAM, or byte address in flash */
bool chip_pin(struct board *, char port, uint8_t bit);
bool chip_is_output(struct board *, char port, uint8_t bit);
/* Fills what lies between the variables and the stack; how many bytes of it are untouched. */
void chip_paint(struct board *);
int chip_stack_left(struct board *);
/* A reset by `cause` (bit of MCUSR), at once. */
void chip_reset_by(struct board *, uint8_t cause);
/* Executes one instruction, or sleeps until the next event. */
void chip_step(struct board *);
int64_t chip_kept_overflows(struct board *); /* how often the simulator would have dropped one */
int64_t chip_last_in(struct board *);        /* cycle at which the last byte was received */
/* Bytes that are on their way to the chip, not received yet. */
size_t chip_waiting(struct board *);
/* The two parameter slots and all else: 1024 bytes, to be read or written. */
uint8_t *chip_eeprom(struct board *);
/* Makes the core believe that the shutter is to stay pressed for minutes yet. */
void chip_poke_late_shutter(struct board *);
/* Called whenever an output changes. */
void chip_on_pin(struct board *, void (*call)(void *arg, const struct pin_change *), void *arg);
/* Bytes leave for `call` instead of for `heard`. */
void chip_on_byte(struct board *, void (*call)(void *arg, uint8_t byte), void *arg);

#endif
