/* The line for long: a hundred million lines through the parser alone, a million more moves in virtual time,
 * and fifty thousand over a pseudo-terminal in real time; one byte in a thousand damaged. Expected on two
 * cores: 30 s, 60 s, 10 min. */
#include "tests/support/test.h"

#include "staddle/wire.h"
#include "tests/support/bad_cable.h"

#define LINES     100000000LL
#define KINDS     4096 /* of lines, drawn once */
#define ONE_IN    1000
#define LINE_MOST 128
#define PTY_MOVES 50000

/* xorshift64*: Vigna, "An experimental exploration of Marsaglia's xorshift generators, scrambled", 2016. */
static uint32_t draw(uint64_t *x)
{
    *x ^= *x >> 12;
    *x ^= *x << 25;
    *x ^= *x >> 27;
    return (uint32_t)((*x * UINT64_C(2685821657736338717)) >> 32);
}

struct line {
    char text[LINE_MOST];
    int count;
};

/* Requests and replies as they are said, with the check that the test's own bit-by-bit division makes. */
static void draw_lines(struct line *lines, uint64_t *x)
{
    for (int i = 0; i < KINDS; i++) {
        char words[80];
        int number = (int)(draw(x) % 400001) - 200000;
        switch (draw(x) % 5) {
        case 0:
            snprintf(words, sizeof words, "state");
            break;
        case 1:
            snprintf(words, sizeof words, "go %d %u", number, draw(x) % 5);
            break;
        case 2:
            snprintf(words, sizeof words, "%04x ok %u %d", draw(x) & 0xffff, draw(x) % 3000, number);
            break;
        case 3:
            snprintf(words, sizeof words, "%04x ok %u %d %d 2 0 0 1 %u 0 %u 0", draw(x) & 0xffff, draw(x) % 4,
                     number, number, draw(x) % 300, draw(x));
            break;
        default:
            snprintf(words, sizeof words, "jog %d 0", number);
        }
        const char *line = rig_line((uint8_t)(1 + draw(x) % 255), words);
        lines[i].count = (int)strcspn(line, "\n");
        memcpy(lines[i].text, line, (size_t)lines[i].count);
    }
}

/* How many bytes stay good until the next one that is damaged: geometric. */
static int64_t gap(uint64_t *x)
{
    double u = (draw(x) + 0.5) / 4294967296.0;
    return (int64_t)(log(u) / log(1 - 1.0 / ONE_IN));
}

struct cable {
    uint64_t x;
    int64_t good; /* bytes until the next damage */
};

static int spoil(struct cable *c, const struct line *in, char *out, int *faults)
{
    int n = 0;
    for (int i = 0; i < in->count; i++) {
        out[n++] = in->text[i];
        if (c->good--) continue;
        c->good = gap(&c->x);
        ++*faults;
        uint32_t kind = draw(&c->x) % 3;
        if (kind == 0)
            out[n - 1] = (char)draw(&c->x);
        else if (kind == 1)
            n--;
        else
            out[n++] = in->text[i];
    }
    return n;
}

static void no_damaged_line_of_a_hundred_million_is_taken_for_good(void **state)
{
    (void)state;
    static struct line lines[KINDS];
    struct cable c = {.x = 20261125};
    struct wire_in in;
    int64_t damaged = 0, twice = 0, taken = 0;
    draw_lines(lines, &c.x);
    c.good = gap(&c.x);
    print_message("expected: half a minute\n");
    for (int64_t i = 0; i < LINES; i++) {
        const struct line *l = &lines[i % KINDS];
        char out[2 * LINE_MOST];
        int faults = 0, n = spoil(&c, l, out, &faults);
        bool same = !faults || (n == l->count && !memcmp(out, l->text, (size_t)n));
        bool good = n <= WIRE_REPLY_MOST && wire_open(&in, out, (uint8_t)n);
        if (same) {
            assert_true(good);
            continue;
        }
        damaged++;
        twice += faults > 1;
        taken += good;
    }
    /* By theory a line with two faults that keeps its length passes one time in 65536. */
    printf("measured: %lld lines, %lld damaged, %lld of them more than once: %lld taken for good\n",
           (long long)LINES, (long long)damaged, (long long)twice, (long long)taken);
    assert_true(damaged > LINES / 100 && twice > 1000);
    assert_int_equal(taken, 0);
}

static void a_million_commands_more_move_nothing_wrong(void **state)
{
    (void)state;
    print_message("expected: a minute\n");
    bad_cable_commands(1000000, (struct rig_damage){1000, 31});
}

static void fifty_thousand_commands_over_a_pty_move_nothing_wrong(void **state)
{
    (void)state;
    print_message("expected: ten minutes\n");
    bad_cable_run(PTY_MOVES, 4,
                  &(struct rig_opts){.damage = {1000, 32},
                                     .native.seed = 32,
                                     .link.baud = 2000000,
                                     .axis.port = "a bad line",
                                     .axis.accel_counts_per_s2 = 400000,
                                     .pty = true});
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_damaged_line_of_a_hundred_million_is_taken_for_good),
        cmocka_unit_test(a_million_commands_more_move_nothing_wrong),
        cmocka_unit_test(fifty_thousand_commands_over_a_pty_move_nothing_wrong),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
