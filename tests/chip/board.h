/* board.h - a rail controller under test, seen from outside: bytes on its line, levels at its pins, pulses
 * that leave it. Two kinds: the ELF for the chip, run instruction by instruction by an independent simulator
 * of the ATmega328P (chip.c), and the same core as the virtual controller has it (here.c). Time is virtual,
 * in cycles of the 16 MHz clock for both. */
#ifndef TESTS_CHIP_BOARD_H
#define TESTS_CHIP_BOARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define CYCLES_US   16
#define CYCLES_MS   16000
#define CYCLES_TICK 8   /* of the wire, 2 MHz */
#define CYCLES_BYTE 640 /* ten bits at 250000 baud */

struct edge {
    int64_t cycle; /* of the rising edge at the step pin */
    int dir;       /* by the level of the direction pin then */
};

/* A run as it was put into the queue: the words that decide every edge. */
struct run_words {
    uint32_t at, every, part, more, steps, last;
};

struct board;

struct board_ops {
    const char *name;
    void (*run)(struct board *, int64_t cycles);
    void (*send)(struct board *, const char *bytes,
                 size_t count);                    /* one after the other, as the line takes them */
    void (*inputs)(struct board *, unsigned open); /* bits of enum wire_switch */
    unsigned (*outputs)(struct board *);           /* bits of enum wire_output */
    void (*reset)(struct board *);                 /* by the reset pin */
    void (*close)(struct board *);
};

struct board {
    const struct board_ops *ops;
    int64_t now; /* cycles */
    int64_t pulses, net;
    struct edge *edge; /* the last ones, from board_forget on */
    int32_t edges, edge_room;
    struct run_words *word;
    int32_t words, word_room;
    char heard[4096]; /* since the last board_say or board_send */
    size_t heard_count;
    char said[128];
    uint8_t seq;
    void (*on_edge)(struct board *, void *arg); /* may be NULL */
    void *arg;
};

struct board *board_here(void);       /* set up: usual parameters saved */
struct board *board_chip(void);       /* the same, by its own wire */
struct board *board_chip_blank(void); /* never set up; boots, says nothing yet */
void board_close(struct board *);

/* The next request, and the reply from ok or no on; "" when none came within `ms`. */
const char *board_say(struct board *, const char *words);
const char *board_say_within(struct board *, const char *words, int ms);
void board_send(struct board *, const char *bytes); /* as they are */
void board_run_us(struct board *, int64_t us);
void board_live_us(struct board *, int64_t us); /* the same, asking for state every 100 ms as a host does */
void board_forget(struct board *);

struct board_state {
    long phase, position, target, known, alarm, switches, outputs, shots, stops, uptime, badlines;
};
struct board_state board_state(struct board *);
void board_expect(struct board *, const char *words, const char *reply);
long board_promise(struct board *, const char *words); /* go or jog: the milliseconds that it promises */

/* For the kinds. */
void board_note_edge(struct board *, int64_t cycle, int dir);
void board_note_byte(struct board *, uint8_t byte);
void board_note_run(struct board *, const struct run_words *);

#endif
