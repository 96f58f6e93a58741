/* Pulses at the pin, the change of the target and the reported position are one number, for random moves run
 * on the chip and on the virtual controller; and both put the same words into the queue, so that every edge
 * lies on the same tick. STADDLE_MOVES says how many moves. */
#include "tests/support/test.h"

#include "tests/chip/chip.h"
#include "tests/support/ramp.h"

#define LATE_CYCLES 80 /* 5 us from the compare match to the edge; our choice */

static uint32_t chance = 20;

static int32_t draw(int32_t least, int32_t most)
{
    chance = chance * 1664525u + 1013904223u; /* a linear congruential generator; constants from memory */
    return least + (int32_t)((uint64_t)chance * (uint32_t)(most - least + 1) >> 32);
}

struct tally {
    int64_t moves, pulses, words;
    int64_t
        apart_most; /* cycles from an edge here to the same edge on the chip, both counted from the first */
};

static void set_both(struct board **two, const char *words)
{
    board_expect(two[0], words, "ok");
    board_expect(two[1], words, "ok");
}

/* Speeds up to what the wire allows, and shapes of one to eight slots. */
static void draw_settings(struct board **two)
{
    char words[64];
    int32_t slots = draw(1, 8), left = 65536;
    snprintf(words, sizeof words, "set 0 %d", (int)(draw(0, 3) ? draw(8000, 40000) : draw(300, 8000)));
    set_both(two, words);
    snprintf(words, sizeof words, "set 1 %d", (int)(draw(0, 3) ? draw(20000, 400000) : draw(1000, 20000)));
    set_both(two, words);
    snprintf(words, sizeof words, "set 12 %d", (int)(draw(0, 1) ? 32 : draw(0, 128)));
    set_both(two, words);
    for (int32_t i = 0; i < slots; i++) {
        int32_t share = i == slots - 1 ? left : draw(0, left);
        left -= share;
        snprintf(words, sizeof words, "shape 1 %d %d %d", (int)i, (int)draw(4000, 60000), (int)share);
        for (int k = 0; k < 2; k++)
            if (strncmp(board_say(two[k], words), "ok ", 3) != 0) fail_msg("%s: %s", words, two[k]->said);
    }
}

/* The first two are put off together by what it took to work them out, perhaps after they were seen here:
 * their times show in the edges. */
static void same_words(struct board **two)
{
    const struct board *here = two[0], *chip = two[1];
    const int32_t from = here->words > 2 ? 2 : 0;
    assert_int_equal(here->words, chip->words);
    for (int32_t i = 0; i < here->words; i++) {
        struct run_words a = here->word[i], b = chip->word[i];
        a.at = i < from ? 0 : a.at - here->word[from].at;
        b.at = i < from ? 0 : b.at - chip->word[from].at;
        assert_memory_equal(&a, &b, sizeof a);
    }
}

static void same_edges(struct board **two, int64_t steps, struct tally *t)
{
    const struct board *here = two[0], *chip = two[1];
    assert_int_equal(here->edges, steps);
    assert_int_equal(chip->edges, steps);
    for (int32_t i = 0; i < steps; i++) {
        int64_t apart =
            (chip->edge[i].cycle - chip->edge[0].cycle) - (here->edge[i].cycle - here->edge[0].cycle);
        if (llabs(apart) > t->apart_most) t->apart_most = llabs(apart);
        assert_int_equal(here->edge[i].dir, chip->edge[i].dir);
    }
}

static void one_move(struct board **two, struct tally *t)
{
    char words[64];
    int32_t distance = draw(0, 9) ? draw(-300, 300) : draw(-2500, 2500);
    int32_t shape = draw(0, 2) == 0;
    long ms[2];
    struct board_state before = board_state(two[1]);
    snprintf(words, sizeof words, "go %d %d", (int)(before.position + distance), (int)shape);
    for (int k = 0; k < 2; k++) {
        board_forget(two[k]);
        if (sscanf(board_say(two[k], words), "ok %ld", &ms[k]) != 1) {
            assert_string_equal(two[k]->said, "no shape"); /* too fast for this distance */
            ms[k] = -1;
        }
    }
    if (ms[0] < 0 || ms[1] < 0) {
        assert_int_equal(ms[0], ms[1]);
        return;
    }
    for (int k = 0; k < 2; k++) {
        int64_t net = two[k]->net - two[k]->edges * (distance < 0 ? -1 : 1);
        board_live_us(two[k], ms[k] * 1000);
        struct board_state s = board_state(two[k]);
        if (s.phase)
            fail_msg("%s: move %lld, %s (%ld ms): phase %ld", two[k]->ops->name, (long long)t->moves, words,
                     ms[k], s.phase);
        assert_int_equal(s.position, before.position + distance);
        assert_int_equal(s.position, s.target);
        assert_int_equal(two[k]->net - net, distance);
        assert_int_equal(two[k]->edges, labs((long)distance));
    }
    same_words(two);
    same_edges(two, labs((long)distance), t);
    t->moves++;
    t->pulses += labs((long)distance);
    t->words += two[1]->words;
}

static void pulses_targets_and_positions_are_one_number(void **state)
{
    (void)state;
    const char *wanted = getenv("STADDLE_MOVES");
    int64_t moves = wanted ? atoll(wanted) : 1000;
    struct board *two[] = {board_here(), board_chip()};
    struct tally t = {0};
    set_both(two, "here 0");
    for (int64_t i = 0; t.moves < moves; i++) {
        if (i % 10 == 0) draw_settings(two);
        one_move(two, &t);
    }
    const struct chip_seen *seen = chip_seen(two[1]);
    print_message("measured: chip: %lld random moves, %lld pulses at the pin = change of target = reported "
                  "position; %lld queue words as in the virtual controller\n",
                  (long long)t.moves, (long long)t.pulses, (long long)t.words);
    print_message(
        "measured: chip: edges within %lld cycles of where the virtual controller has them; at most %lld "
        "after their match; high %lld, low %lld cycles at least, direction %lld before\n",
        (long long)t.apart_most, (long long)seen->late_most, (long long)seen->high_least,
        (long long)seen->low_least, (long long)seen->dir_least);
    assert_true(t.apart_most <= LATE_CYCLES + CYCLES_TICK);
    assert_true(seen->late_most <= LATE_CYCLES);
    for (int k = 0; k < 2; k++)
        board_close(two[k]);
}

/* Times of the pin's edges against limits written here: a ramp whose acceleration comes and goes within 32 ms
 * (Biagiotti and Melchiorri, Trajectory Planning for Automatic Machines and Robots, Springer 2008, chapter 4;
 * from memory). A ramp whose acceleration comes at once has to fail. */
static void speed_acceleration_and_jerk_keep_their_limits(void **state)
{
    (void)state;
    static const struct {
        long steps, smooth_ms;
        double jerk; /* steps/s^3: 40000 steps/s^2 in 32 ms; twice that where it goes from up to down */
    } CASES[] = {{900, 32, 2 * 1.25e6}, {5000, 32, 2 * 1.25e6}, {20000, 32, 1.25e6}, {20000, 0, 1.25e6}};
    struct board *b = board_chip();
    double *at_s = calloc(20000, sizeof *at_s);
    char words[40];
    board_expect(b, "here 0", "ok");
    board_expect(b, "set 0 16000", "ok");
    board_expect(b, "set 1 40000", "ok");
    for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
        snprintf(words, sizeof words, "set 12 %ld", CASES[i].smooth_ms);
        board_expect(b, words, "ok");
        board_forget(b);
        snprintf(words, sizeof words, "jog %ld 0", CASES[i].steps);
        board_live_us(b, board_promise(b, words) * 1000 + 5000);
        assert_int_equal(b->edges, CASES[i].steps);
        for (int32_t k = 0; k < b->edges; k++)
            at_s[k] = (double)b->edge[k].cycle / 16e6;
        const struct ramp_seen seen = ramp_see(at_s, b->edges);
        print_message("measured: chip: %ld steps, smooth_ms %ld: %.0f steps/s, %.0f steps/s^2, %.3g of %.3g "
                      "steps/s^3\n",
                      CASES[i].steps, CASES[i].smooth_ms, seen.speed, seen.accel, seen.jerk, CASES[i].jerk);
        assert_true(seen.looks > 50 && seen.speed <= 16000 * 1.01 && seen.accel <= 40000 * 1.02);
        if (CASES[i].smooth_ms)
            assert_true(seen.jerk <= CASES[i].jerk * 1.05);
        else
            assert_true(seen.jerk > CASES[i].jerk * 1.05);
    }
    free(at_s);
    board_close(b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pulses_targets_and_positions_are_one_number),
        cmocka_unit_test(speed_acceleration_and_jerk_keep_their_limits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
