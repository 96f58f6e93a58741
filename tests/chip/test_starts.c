/* Starts, and everything that may go wrong on the way: resets at any instant, a loop that hangs, a write to
 * the parameters that is torn, a host that falls silent, garbage on the line. Never a wrong move, and nothing
 * fired twice. */
#include "tests/support/test.h"

#include <sim_avr.h>

#include "staddle/wire.h"
#include "tests/chip/chip.h"
#include "tests/support/rail_rig.h"

#define PORTB 'B'
#define PORTC 'C'
#define PORTD 'D'
#include "firmware/avr/board.h"

#define SLOT_AT    16 /* in EEPROM: firmware/avr/store.c */
#define SLOT_NEXT  80
#define SLOT_SIZE  (4 + 4 * WIRE_KEYS + 2)
#define FLASH_LOOP 0xcfff /* rjmp to itself (AVR instruction set manual) */

static uint32_t chance = 11;

static int32_t draw(int32_t least, int32_t most)
{
    chance = chance * 1664525u + 1013904223u;
    return least + (int32_t)((uint64_t)chance * (uint32_t)(most - least + 1) >> 32);
}

/* --- start-up --- */

static struct {
    int rises, wrong;
} seen_pins;

static void watch_pins(void *arg, const struct pin_change *p)
{
    (void)arg;
    if ((p->port == HALF_PORT && (p->bit == HALF_BIT || p->bit == FULL_BIT)) ||
        (p->port == STEP_PORT && p->bit == STEP_BIT))
        seen_pins.rises += p->high;
    if (p->port == ENABLE_PORT && p->bit == ENABLE_BIT) seen_pins.wrong += !p->high;
}

/* Each instruction of the first 20 ms: an output that is driven shows its off level from the first cycle on.
 */
static void nothing_comes_on_at_power_up(void **state)
{
    (void)state;
    struct board *b = board_chip_blank();
    memset(&seen_pins, 0, sizeof seen_pins);
    chip_on_pin(b, watch_pins, NULL);
    while (b->now < 20 * CYCLES_MS) {
        chip_step(b);
        if (chip_is_output(b, ENABLE_PORT, ENABLE_BIT)) assert_true(chip_pin(b, ENABLE_PORT, ENABLE_BIT));
        assert_false(chip_pin(b, STEP_PORT, STEP_BIT));
        assert_false(chip_pin(b, HALF_PORT, HALF_BIT) || chip_pin(b, FULL_PORT, FULL_BIT));
    }
    assert_int_equal(seen_pins.rises + seen_pins.wrong, 0);
    assert_true(chip_is_output(b, STEP_PORT, STEP_BIT) && chip_is_output(b, HALF_PORT, HALF_BIT));
    assert_non_null(strstr(b->heard, " up 0 "));
    struct board_state s = board_state(b);
    assert_int_equal(s.alarm, WIRE_NO_SETTINGS);
    board_close(b);
}

/* A boot loader may leave it on at 16 ms: the firmware lives on. */
static void a_watchdog_left_on_does_no_harm(void **state)
{
    (void)state;
    struct board *b = board_chip();
    avr_t *avr = chip_avr(b);
    chip_reset_by(b, 0);
    avr_core_watch_write(avr, 0x60, 0x18); /* WDTCSR: change enabled, */
    avr_core_watch_write(avr, 0x60, 0x08); /* on, 16 ms */
    board_run_us(b, 200000);
    int boots = 0;
    for (const char *p = b->heard; (p = strstr(p, " up ")); p++)
        boots++;
    assert_int_equal(boots, 1);
    board_close(b);
}

/* --- resets --- */

static void boot_line(struct board *b, int cause, char *nonce)
{
    char line[40];
    const char *up = strstr(b->heard, "00 14 ");
    assert_non_null(up);
    snprintf(line, sizeof line, "up %d ", cause);
    assert_int_equal(strncmp(up + 11, line, 5), 0);
    assert_int_not_equal(strncmp(up + 6, nonce, 4), 0); /* another one than before */
    memcpy(nonce, up + 6, 4);
}

static void a_reset_at_any_instant_moves_and_fires_nothing(void **state)
{
    (void)state;
    struct board *b = board_chip();
    char nonce[5] = "";
    int with_step_high = 0, while_moving = 0, with_shutter = 0, at_rest = 0;
    for (int round = 0; round < 120; round++) {
        int kind = round % 4;
        if (kind < 2) board_promise(b, "jog 3000 0");
        if (kind == 2) assert_int_equal(strncmp(board_say(b, "fire 20 300"), "ok", 2), 0);
        b->ops->run(b, draw(0, 150 * CYCLES_MS));
        for (int i = 0; kind == 1 && i < 100000 && !chip_pin(b, STEP_PORT, STEP_BIT); i++)
            chip_step(b);
        if (chip_pin(b, STEP_PORT, STEP_BIT))
            with_step_high++;
        else if (b->ops->outputs(b) & (WIRE_HALF_PRESSED | WIRE_FULL_PRESSED))
            with_shutter++;
        else if (kind == 3)
            at_rest++;
        else
            while_moving++;
        int64_t pulses = b->pulses;
        memset(&seen_pins, 0, sizeof seen_pins);
        chip_on_pin(b, watch_pins, NULL);
        chip_reset_by(b, 0x02);
        board_run_us(b, 300000);
        chip_on_pin(b, NULL, NULL);
        assert_int_equal(b->pulses, pulses);
        assert_int_equal(seen_pins.rises, 0);
        assert_int_equal(b->ops->outputs(b), 0);
        boot_line(b, 1, nonce);
        struct board_state s = board_state(b);
        assert_int_equal(s.phase, 0);
        assert_int_equal(s.known, 0);
        assert_int_equal(s.position, 0);
        assert_int_equal(s.shots, 0);
        board_expect(b, "go 5 0", "no unknown-position");
    }
    print_message(
        "measured: chip: 120 resets: %d with STEP high, %d while moving, %d with the shutter pressed, %d at "
        "rest; no pulse after any\n",
        with_step_high, while_moving, with_shutter, at_rest);
    assert_true(with_step_high >= 20 && while_moving >= 10 && with_shutter >= 20 && at_rest >= 20);
    board_close(b);
}

static void causes_are_told_apart(void **state)
{
    (void)state;
    static const int FLAGS[][2] = {{0x01, 0}, {0x05, 0}, {0x02, 1}, {0x04, 2}, {0x08, 3}, {0x00, 1}};
    struct board *b = board_chip();
    char nonce[5] = "";
    for (size_t i = 0; i < sizeof FLAGS / sizeof *FLAGS; i++) {
        chip_reset_by(b, (uint8_t)FLAGS[i][0]);
        board_run_us(b, 20000);
        boot_line(b, FLAGS[i][1], nonce);
    }
    board_close(b);
}

/* The loop hangs (an instruction that jumps to itself is put where it is) while the rail moves and while the
 * shutter is pressed: the queue runs dry, the watchdog restarts the chip, and everything is off. */
static void a_loop_that_hangs_is_restarted_with_everything_off(void **state)
{
    (void)state;
    for (int kind = 0; kind < 2; kind++) {
        char nonce[5] = "";
        struct board *b = board_chip();
        avr_t *avr = chip_avr(b);
        if (kind == 0)
            board_promise(b, "jog 9000 0");
        else
            board_say(b, "fire 0 5000");
        board_run_us(b, 100000);
        assert_int_not_equal(b->ops->outputs(b), 0);
        uint16_t at = chip_symbol("main");
        while (!(avr->pc >= at && avr->pc < at + 2000u && avr->sreg[7])) /* in the loop, interrupts on */
            chip_step(b);
        uint8_t kept[2] = {avr->flash[avr->pc], avr->flash[avr->pc + 1]};
        avr_flashaddr_t pc = avr->pc;
        avr->flash[pc] = FLASH_LOOP & 0xff;
        avr->flash[pc + 1] = FLASH_LOOP >> 8;
        int64_t hung = b->now, pulses = b->pulses;
        for (int64_t i = 0; !strstr(b->heard, " up ") && b->now - hung < 1000 * CYCLES_MS; i++) {
            chip_step(b);
            if (avr->cycle > (avr_cycle_count_t)hung && !b->ops->outputs(b) && b->heard_count) break;
            if (!b->ops->outputs(b) &&
                avr->flash[pc] == (FLASH_LOOP & 0xff)) { /* restarted: the fault is gone */
                avr->flash[pc] = kept[0];
                avr->flash[pc + 1] = kept[1];
            }
        }
        int64_t took = b->now - hung;
        b->ops->inputs(b, 0); /* the simulator forgot them */
        board_run_us(b, 50000);
        assert_int_equal(b->ops->outputs(b), 0);
        boot_line(b, 3, nonce);
        assert_true(took < 400 * CYCLES_MS);
        assert_true(b->pulses - pulses < 9000);
        int64_t after = b->pulses;
        b->seq = 0;
        board_say(b, "hello");
        board_run_us(b, 300000);
        assert_int_equal(b->pulses, after);
        print_message(
            "measured: chip: a loop that hangs %s: restarted after %.0f ms, %lld pulses meanwhile\n",
            kind ? "with the shutter pressed" : "while moving", (double)took / CYCLES_MS,
            (long long)(after - pulses));
        board_close(b);
    }
}

/* --- parameters --- */

/* The simulator writes at once, so the write is torn by hand: the first n bytes of the new slot are there,
 * the next one is spoilt, and the rest is old. Whatever n, the chip starts with the older set or the newer
 * one, whole. */
static void a_torn_write_leaves_the_older_parameters(void **state)
{
    (void)state;
    struct board *b = board_chip();
    uint8_t before[1024], after[1024];
    board_expect(b, "set 0 1111", "ok");
    board_expect(b, "save", "ok 2");
    memcpy(before, chip_eeprom(b), sizeof before);
    board_expect(b, "set 0 2222", "ok");
    board_expect(b, "set 1 33333", "ok");
    board_expect(b, "save", "ok 3");
    memcpy(after, chip_eeprom(b), sizeof after);
    int slot = memcmp(before + SLOT_AT, after + SLOT_AT, SLOT_SIZE) ? 0 : 1, older = 0, newer = 0;
    for (int n = 0; n <= SLOT_SIZE; n++) {
        uint8_t *e = chip_eeprom(b), *at = e + SLOT_AT + slot * SLOT_NEXT;
        memcpy(e, before, sizeof before);
        memcpy(at, after + SLOT_AT + slot * SLOT_NEXT, (size_t)n);
        if (n < SLOT_SIZE) at[n] = (uint8_t)draw(0, 255);
        b->ops->reset(b);
        board_run_us(b, 20000);
        struct board_state s = board_state(b);
        assert_int_equal(s.alarm, 0);
        board_say(b, "read 0");
        bool is_newer = !strcmp(b->said, "ok 2222");
        if (!is_newer) assert_string_equal(b->said, "ok 1111");
        board_expect(b, "read 1", is_newer ? "ok 33333" : "ok 40000");
        if (is_newer)
            newer++;
        else
            older++;
    }
    print_message(
        "measured: chip: writes torn after 0 to %d bytes: %d starts with the older set, %d with the newer\n",
        SLOT_SIZE, older, newer);
    assert_true(newer >= 1 && older >= SLOT_SIZE - 4);
    memset(chip_eeprom(b) + SLOT_AT, 0x55, SLOT_NEXT + SLOT_SIZE);
    b->ops->reset(b);
    board_run_us(b, 20000);
    assert_int_equal(board_state(b).alarm, WIRE_NO_SETTINGS);
    board_expect(b, "jog 5 0", "no alarm");
    board_close(b);
}

/* --- the host, on both kinds --- */

static void a_silent_host_on(struct board *b)
{
    board_promise(b, "jog 60000 0");
    int64_t asked = b->now;
    board_run_us(b, 1600000);
    const struct edge *last = &b->edge[b->edges - 1];
    print_message("measured: %s: a silent host: last pulse %.0f ms after its last line\n", b->ops->name,
                  (double)(last->cycle - asked) / CYCLES_MS);
    assert_true(last->cycle - asked > 900 * CYCLES_MS && last->cycle - asked < 1450 * CYCLES_MS);
    struct board_state s = board_state(b);
    assert_int_equal(s.phase, 3);
    assert_int_equal(s.alarm, WIRE_HOST_LOST);
    assert_int_equal(s.position, b->pulses); /* kept */
    board_expect(b, "clear", "ok");
    /* with the shutter open */
    board_say(b, "fire 100 5000");
    board_run_us(b, 900000);
    assert_int_equal(b->ops->outputs(b) & WIRE_FULL_PRESSED, WIRE_FULL_PRESSED);
    board_run_us(b, 200000);
    assert_int_equal(b->ops->outputs(b) & (WIRE_FULL_PRESSED | WIRE_HALF_PRESSED), 0);
    board_expect(b, "clear", "ok");
}

static void garbage_on(struct board *b)
{
    board_expect(b, "here 0", "ok");
    char bytes[64];
    int64_t pulses = b->pulses;
    for (int i = 0; i < 400; i++) {
        int n = draw(1, 60);
        for (int k = 0; k < n; k++) {
            int c = draw(0, 7) ? draw(32, 126) : draw(0, 255);
            bytes[k] = (char)(c == '*' ? '+' : c);
        }
        if (draw(0, 1)) { /* a good line, one byte of it spoilt */
            n = snprintf(bytes, sizeof bytes, "%s",
                         rig_line((uint8_t)draw(1, 255), draw(0, 1) ? "go 777 0" : "fire 0 9"));
            bytes[draw(0, n - 2)] ^= (char)(1 << draw(0, 6));
        }
        b->ops->send(b, bytes, (size_t)n);
        b->ops->run(b, (int64_t)n * CYCLES_BYTE);
    }
    b->ops->send(b, "\n", 1);
    board_run_us(b, 20000);
    assert_int_equal(b->pulses, pulses);
    board_say(b, "hello");
    struct board_state s = board_state(b);
    assert_int_equal(s.position, 0);
    assert_int_equal(s.shots, 0);
    assert_true(s.badlines > 100);
}

/* The same line twice moves once and fires once; halted inside a line. */
static void nothing_is_done_twice_on(struct board *b)
{
    board_expect(b, "here 0", "ok");
    b->seq++;
    char go[80], fire[80];
    snprintf(go, sizeof go, "%s", rig_line(b->seq, "jog 40 0"));
    for (int i = 0; i < 5; i++) {
        board_send(b, go);
        board_run_us(b, 60000);
    }
    assert_int_equal(board_state(b).position, 40);
    b->seq++;
    snprintf(fire, sizeof fire, "%s", rig_line(b->seq, "fire 0 30"));
    for (int i = 0; i < 5; i++) {
        board_send(b, fire);
        board_run_us(b, 60000);
    }
    assert_int_equal(board_state(b).shots, 1);
    int64_t pulses = b->pulses;
    board_promise(b, "jog 20000 0");
    board_run_us(b, 700000);
    b->seq++;
    board_send(b, "4f 16 go 12**0334 2 c41c\n");
    board_run_us(b, 900000);
    b->seq--;
    struct board_state s = board_state(b);
    assert_int_equal(s.alarm, WIRE_HALTED);
    assert_int_equal(s.position, 40 + b->pulses - pulses);
    assert_true(b->pulses - pulses < 20000);
    assert_int_equal(s.badlines, 0);
    board_expect(b, "clear", "ok");
}

static void on_both(void (*scenario)(struct board *))
{
    for (int k = 0; k < 2; k++) {
        struct board *b = k ? board_chip() : board_here();
        scenario(b);
        board_close(b);
    }
}

static void a_silent_host_stops_the_rail_and_the_shutter(void **state)
{
    (void)state;
    on_both(a_silent_host_on);
}

static void garbage_moves_and_fires_nothing(void **state)
{
    (void)state;
    on_both(garbage_on);
}

static void nothing_is_done_twice(void **state)
{
    (void)state;
    on_both(nothing_is_done_twice_on);
}

/* --- the shutter --- */

/* What the core thinks does not matter: the port lets go by itself. Its time is put off in the chip's memory.
 */
static void the_shutter_has_a_hard_limit(void **state)
{
    (void)state;
    struct board *b = board_chip();
    board_expect(b, "set 6 500", "ok"); /* 0.5 s, and 10 s of half-press */
    board_say(b, "fire 0 500");
    int64_t pressed = b->now;
    board_run_us(b, 100000);
    chip_poke_late_shutter(b);
    while (chip_pin(b, FULL_PORT, FULL_BIT) && b->now - pressed < 20000 * CYCLES_MS)
        board_state(b); /* the host is there */
    double took_s = (double)(b->now - pressed) / 16e6;
    print_message("measured: chip: a core that never lets go: shutter off after %.2f s (limit 10.5 s)\n",
                  took_s);
    assert_true(took_s > 9 && took_s < 10.7);
    assert_false(chip_pin(b, HALF_PORT, HALF_BIT));
    board_close(b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_comes_on_at_power_up),
        cmocka_unit_test(a_watchdog_left_on_does_no_harm),
        cmocka_unit_test(a_reset_at_any_instant_moves_and_fires_nothing),
        cmocka_unit_test(causes_are_told_apart),
        cmocka_unit_test(a_loop_that_hangs_is_restarted_with_everything_off),
        cmocka_unit_test(a_torn_write_leaves_the_older_parameters),
        cmocka_unit_test(a_silent_host_stops_the_rail_and_the_shutter),
        cmocka_unit_test(garbage_moves_and_fires_nothing),
        cmocka_unit_test(nothing_is_done_twice),
        cmocka_unit_test(the_shutter_has_a_hard_limit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
