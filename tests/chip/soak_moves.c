/* Pulses at the pin, the change of the target and the reported position are one number: a million short moves
 * on the chip, on two cores. STADDLE_MOVES says how many instead. `make soak` runs it; it says at once how
 * long it takes. */
#include "tests/support/test.h"

#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "staddle/wire.h"
#include "tests/chip/chip.h"

#define MOVES   INT64_C(1000000)
#define WORKERS 2
#define FIRST   500 /* moves from which the rest is foretold */

static uint32_t chance;

static int32_t draw(int32_t least, int32_t most)
{
    chance = chance * 1664525u + 1013904223u; /* a linear congruential generator; constants from memory */
    return least + (int32_t)((uint64_t)chance * (uint32_t)(most - least + 1) >> 32);
}

static void set(struct board *b, int key, int32_t value)
{
    char words[32];
    snprintf(words, sizeof words, "set %d %d", key, (int)value);
    board_expect(b, words, "ok");
}

/* Without stops in between it costs half: the next move asks for the place that the last one must have left.
 */
static void move(struct board *b, int32_t *place)
{
    char words[32];
    long ms = 0;
    const int32_t distance = draw(0, 19) ? draw(-12, 12) : draw(-400, 400);
    const int64_t net = b->net, pulses = b->pulses;
    *place += distance;
    snprintf(words, sizeof words, "go %d 0", (int)*place);
    if (sscanf(board_say(b, words), "ok %ld", &ms) != 1) fail_msg("%s: %s", words, b->said);
    board_live_us(b, ms * 1000);
    assert_int_equal(b->net - net, distance);
    assert_int_equal(b->pulses - pulses, labs((long)distance));
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void work(int number, int64_t moves)
{
    struct board *b = board_chip();
    int32_t place = 0;
    const double began_s = now_s();
    int64_t pulses = b->pulses;
    chance = 20 + (uint32_t)number;
    board_expect(b, "here 0", "ok");
    for (int64_t i = 0; i < moves; i++) {
        if (i % 50 == 0) {
            set(b, WIRE_KEY_SPEED, draw(2000, 40000));
            set(b, WIRE_KEY_ACCEL, draw(100000, 400000));
            set(b, WIRE_KEY_SMOOTH_MS, draw(0, 9) ? draw(0, 4) : 32);
        }
        move(b, &place);
        if (i % 50 == 49) {
            const struct board_state s = board_state(b);
            assert_true(s.phase == 0 && s.position == place && s.target == place && s.alarm == 0);
        }
        if (i == FIRST && !number) {
            const double s = (now_s() - began_s) / FIRST * (double)moves;
            print_message("%lld moves on %d cores: about %.0f min\n", (long long)moves * WORKERS, WORKERS,
                          s / 60);
            fflush(stdout);
        }
    }
    print_message(
        "measured: chip: %lld moves, %lld pulses at the pin = change of target = reported position, %.0f s\n",
        (long long)moves, (long long)(b->pulses - pulses), now_s() - began_s);
    board_close(b);
}

static void every_pulse_of_a_million_moves_is_counted(void **state)
{
    (void)state;
    const char *wanted = getenv("STADDLE_MOVES");
    const int64_t each = (wanted ? atoll(wanted) : MOVES) / WORKERS;
    pid_t other = fork();
    int status = 1;
    work(other ? 0 : 1, each);
    if (!other) _exit(0);
    waitpid(other, &status, 0);
    assert_int_equal(status, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_pulse_of_a_million_moves_is_counted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
