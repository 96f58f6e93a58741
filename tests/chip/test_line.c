/* 40000 steps/s while valid lines come in back to back and the transmitter never idles. */
#include "tests/support/test.h"

#include <sim_avr.h>

#include "tests/chip/chip.h"
#include "tests/support/rail_rig.h"

#define LATE_CYCLES 80 /* 5 us from the compare match to the edge; our choice */
#define PULSE_CYCLES                                                                                         \
    32 /* 2 us high and low: common driver modules ask for 1 to 1.9 us (common practice, no source) */
#define DIR_CYCLES                                                                                           \
    16 /* 1 us before: common driver modules ask for 0.2 to 0.65 us (common practice, no source) */
#define GAP_CYCLES                                                                                           \
    960 /* one and a half characters: with two bytes of buffer behind it, half of what is lost at */

static void settings(struct board *b)
{
    board_expect(b, "here 0", "ok");
    board_expect(b, "set 0 40000", "ok");
    board_expect(b, "set 1 400000", "ok");
    board_expect(b, "set 2 6400", "ok");
}

static void histogram(const struct chip_seen *seen)
{
    char line[600];
    int n = 0;
    for (int from = 0; from < 96; from += 8) {
        int64_t count = 0;
        for (int i = from; i < from + 8; i++)
            count += seen->late[i];
        n += snprintf(line + n, sizeof line - (size_t)n, " %d-%d:%lld", from, from + 7, (long long)count);
    }
    print_message("measured: chip: cycles from match to edge:%s\n", line);
}

/* Back to back. A line that repeats the one before gets the kept reply: so the answers keep the transmitter
 * busy, and the parser has as much to do as it can ever have. */
static void keep_busy(struct board *b)
{
    while (chip_waiting(b) < 64) {
        const char *line = rig_line(b->seq, "state");
        b->ops->send(b, line, strlen(line));
    }
}

static void forty_kilohertz_with_a_full_line(void **state)
{
    (void)state;
    struct board *b = board_chip();
    settings(b);
    chip_paint(b);
    long ms = board_promise(b, "go 60000 0");
    board_run_us(b, 150000); /* up to speed: 100 ms */
    board_state(b);
    keep_busy(b);
    board_run_us(b, 1000);
    int64_t from = b->now, pulses = b->pulses;
    chip_see_anew(b);
    while (b->now - from < 1000 * CYCLES_MS) {
        keep_busy(b);
        board_run_us(b, 500);
        b->heard_count = 0;
    }
    struct chip_seen seen = *chip_seen(b);
    int64_t took = b->now - from, went = b->pulses - pulses;
    board_run_us(b, 20000);
    board_send(b, "\n"); /* ends what the last lost byte may have left open */
    board_run_us(b, 20000);
    board_say(b, "hello"); /* whatever the sequence number was */
    board_live_us(b, (ms - 1100) * 1000);
    struct board_state s = board_state(b);
    double share = (double)seen.sent * CYCLES_BYTE / (double)(seen.sent_last - seen.sent_first + CYCLES_BYTE);
    int left = chip_stack_left(b);
    print_message(
        "measured: chip: %.0f steps/s, %lld bytes in (of %lld that fit), %lld out (%.1f %% of what fits)\n",
        (double)went * 16e6 / (double)took, (long long)seen.received, (long long)(took / CYCLES_BYTE),
        (long long)seen.sent, 100 * share);
    histogram(&seen);
    print_message(
        "measured: chip: edges at most %lld cycles late; high %lld, low %lld cycles at least; receive gap "
        "%lld cycles (character: %d); step interrupt %lld at most; stack: %d bytes never touched of %d\n",
        (long long)seen.late_most, (long long)seen.high_least, (long long)seen.low_least,
        (long long)seen.receive_most, CYCLES_BYTE, (long long)seen.step_cycles_most, left,
        0x900 - chip_symbol("_end"));
    assert_near((double)went * 16e6 / (double)took, 40000, 4);
    assert_true(seen.received >= took / CYCLES_BYTE - 200);
    assert_true(share > 0.99);
    assert_in_range(seen.late_most, 0, LATE_CYCLES);
    assert_true(seen.high_least >= PULSE_CYCLES && seen.low_least >= PULSE_CYCLES);
    assert_in_range(seen.receive_most, 0, GAP_CYCLES - 1);
    assert_true(left >= 64); /* room for what this run did not meet */
    assert_int_equal(s.phase, 0);
    assert_int_equal(s.position, 60000);
    assert_int_equal(b->pulses, 60000);
    board_close(b);
}

/* Turning round at once, again and again: the direction pin changes at rest, well before the next edge. */
static void the_direction_is_there_before_the_edge(void **state)
{
    (void)state;
    struct board *b = board_chip();
    settings(b);
    for (int i = 0; i < 40; i++) {
        long ms = board_promise(b, i % 2 ? "jog -3 0" : "jog 7 0");
        board_run_us(b, ms * 1000);
        assert_int_equal(board_state(b).phase, 0);
    }
    const struct chip_seen *seen = chip_seen(b);
    print_message("measured: chip: direction %lld cycles before an edge at least\n",
                  (long long)seen->dir_least);
    assert_true(seen->dir_least >= DIR_CYCLES);
    assert_true(seen->high_least >= PULSE_CYCLES && seen->low_least >= PULSE_CYCLES);
    assert_int_equal(b->net, 20 * 4);
    board_close(b);
}

/* A promise is a promise: the last edge comes within the milliseconds of the reply, counted from the
 * request's last byte, whatever has to be planned. */
static void the_promised_time_is_kept(void **state)
{
    (void)state;
    static const char *const WORDS[] = {"go 1 0",   "go 500 0", "go 499 0",  "go 66000 0",
                                        "go 100 0", "go 400 1", "go 30000 2"};
    struct board *b = board_chip();
    board_expect(b, "here 0", "ok");
    assert_int_equal(strncmp(board_say(b, "shape 1 0 100000 30000"), "ok", 2), 0);
    assert_int_equal(strncmp(board_say(b, "shape 1 1 300000 35536"), "ok", 2), 0);
    for (int i = 0; i < 8; i++) {
        char words[48];
        snprintf(words, sizeof words, "shape 2 %d 2000000 8192", i);
        assert_int_equal(strncmp(board_say(b, words), "ok", 2), 0);
    }
    int64_t least = INT64_MAX, most = 0;
    for (size_t i = 0; i < sizeof WORDS / sizeof *WORDS; i++) {
        int64_t before = b->pulses;
        long ms = board_promise(b, WORDS[i]);
        int64_t asked = chip_last_in(b);
        board_live_us(b, ms * 1000);
        assert_true(b->pulses > before);
        int64_t early = asked + ms * CYCLES_MS - b->edge[b->edges - 1].cycle;
        if (early < 0) fail_msg("%s: %lld cycles after the promised %ld ms", WORDS[i], (long long)-early, ms);
        if (early < least) least = early;
        if (early > most) most = early;
    }
    print_message("measured: chip: last edges %.2f to %.2f ms before the promised end\n",
                  (double)least / CYCLES_MS, (double)most / CYCLES_MS);
    board_close(b);
}

/* The build for ports that cannot do 250000 baud. The chip's divider gives 117647, 2.1 % off (data sheet of
 * the ATmega328P, table of UBRR at 16 MHz, doubled speed), within what ten bits to a byte allow. */
static void a_build_for_115200_baud_is_talked_to(void **state)
{
    (void)state;
    const int bit_cycles = 8 * (16 + 1);
    chip_choose("slow/fw", 10 * bit_cycles);
    struct board *b = board_chip();
    const avr_t *avr = chip_avr(b);
    assert_int_equal(avr->data[0xC4] | avr->data[0xC5] << 8, 16); /* UBRR0 */
    assert_int_equal(avr->data[0xC0] & 2, 2);                     /* UCSR0A: U2X0 */
    assert_near(16e6 / bit_cycles / 115200, 1, 0.022);
    board_expect(b, "here 0", "ok");
    for (int i = 1; i <= 20; i++) {
        char words[32];
        snprintf(words, sizeof words, "go %d 0", i % 2 ? i * 37 : 0);
        board_live_us(b, board_promise(b, words) * 1000 + 2000);
        const struct board_state s = board_state(b);
        assert_int_equal(s.position, i % 2 ? i * 37 : 0);
    }
    board_close(b);
    chip_choose("fw", CYCLES_BYTE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_build_for_115200_baud_is_talked_to),
        cmocka_unit_test(forty_kilohertz_with_a_full_line),
        cmocka_unit_test(the_direction_is_there_before_the_edge),
        cmocka_unit_test(the_promised_time_is_kept),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
