/* The rail controller's core, spoken to over its own line and judged by the edges that reach a carriage.
 * Speeds and accelerations below are the usual settings, written out: 16000 steps/s, 40000 steps/s^2, 6400
 * steps/s at once. That a controller has to stop for these reasons is common practice, no source. */
#include "tests/support/test.h"

#include "firmware/core/core.h"
#include "tests/support/rail_rig.h"
#include "tests/support/ramp.h"

#define SPEED  16000.0
#define ACCEL  40000.0
#define SMOOTH 0.032
#define JUMP   6400.0

static struct rig *speaking(struct rig_opts o)
{
    o.no_axis = true;
    if (!o.length) o.length = 4000000;
    if (!o.stands_at) o.stands_at = 2000000;
    struct rig *g = rig_open(&o);
    rig_run_us(g, 30000);
    return g;
}

static void expect(struct rig *g, const char *words, const char *reply)
{
    const char *said = rig_say(g, words);
    if (strcmp(said, reply)) print_error("%s: expected '%s'\n", words, reply);
    assert_string_equal(said, reply);
}

struct said {
    long phase, position, target, known, alarm, switches, outputs, shots, stops, uptime, badlines;
};

static struct said state_of(struct rig *g)
{
    struct said s;
    const char *said = rig_say(g, "state");
    assert_int_equal(sscanf(said, "ok %ld %ld %ld %ld %ld %ld %ld %ld %ld %ld %ld", &s.phase, &s.position,
                            &s.target, &s.known, &s.alarm, &s.switches, &s.outputs, &s.shots, &s.stops,
                            &s.uptime, &s.badlines),
                     11);
    return s;
}

/* Says WORDS, a go or jog; returns the promised milliseconds. */
static long promised(struct rig *g, const char *words)
{
    long ms, target;
    const char *said = rig_say(g, words);
    if (sscanf(said, "ok %ld %ld", &ms, &target) != 2) {
        print_error("%s: '%s'\n", words, said);
        assert_true(false);
    }
    return ms;
}

static const char *go_to(long target, int shape)
{
    static char words[48];
    snprintf(words, sizeof words, "go %ld %d", target, shape);
    return words;
}

/* Lets time pass as a living host does, asking for state every 100 ms. */
static void live(struct rig *g, int64_t us)
{
    for (; us > 100000; us -= 100000) {
        rig_say(g, "state");
        rig_run_us(g, 90000);
    }
    rig_run_us(g, us);
}

/* --- start-up and the line --- */

static void nothing_comes_on_at_start(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    assert_int_equal(native_rail_outputs(g->controller), 0);
    assert_true(!strncmp(g->heard, "00 14 ", 6));
    assert_non_null(strstr(g->heard, " up 0 "));
    rig_run_us(g, 10000000);
    assert_int_equal(g->edges, 0);
    assert_int_equal(native_rail_outputs(g->controller), 0);
    rig_close(g);
}

static void hello_and_state_say_what_the_document_says(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    expect(g, "hello", "ok 1 0 100 15 62 8 2000000");
    struct said s = state_of(g);
    assert_int_equal(s.phase, 0);
    assert_int_equal(s.known, 0);
    assert_int_equal(s.outputs, 0);
    assert_in_range(s.uptime, 30, 80);
    rig_close(g);
}

static const char *seq_reply(struct rig *g, uint8_t seq, const char *words)
{
    const char *heard = rig_send(g, rig_line(seq, words), 10000);
    return strlen(heard) > 11 ? heard + 11 : "";
}

static void sequence_numbers_keep_their_rules(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    char first[sizeof g->heard], again[sizeof g->heard];
    assert_memory_equal(seq_reply(g, 7, "state"), "no seq", 6); /* the first is 01 */
    assert_memory_equal(seq_reply(g, 1, "here 0"), "ok", 2);
    assert_memory_equal(seq_reply(g, 1, "state"), "no seq", 6); /* the same with other words */
    assert_memory_equal(seq_reply(g, 3, "state"), "no seq", 6); /* one left out */
    assert_memory_equal(seq_reply(g, 0, "state"), "no seq", 6); /* 00 is no request's */
    assert_memory_equal(seq_reply(g, 0, "hello"), "no seq", 6); /* not even hello's */
    assert_memory_equal(seq_reply(g, 2, "jog 40 0"), "ok 3", 2);
    snprintf(first, sizeof first, "%s", g->heard);
    rig_run_us(g, 300000);
    assert_int_equal(g->edges, 40);
    rig_send(g, rig_line(2, "jog 40 0"), 400000); /* repeated byte for byte: answered, not done */
    snprintf(again, sizeof again, "%s", g->heard);
    assert_string_equal(first, again);
    assert_int_equal(g->edges, 40);
    assert_memory_equal(seq_reply(g, 2, "jog 41 0"), "no seq", 6);
    assert_memory_equal(seq_reply(g, 0xff, "hello"), "ok", 2); /* any number, and it counts on from there */
    assert_memory_equal(seq_reply(g, 0, "state"), "no seq", 6);
    assert_memory_equal(seq_reply(g, 1, "state"), "ok", 2);
    assert_int_equal(g->edges, 40);
    rig_close(g);
}

static void words_are_checked_before_they_act(void **state)
{
    (void)state;
    static const char *const CASES[][2] = {
        {"dance", "no args"},
        {"go 5", "no args"},
        {"go 5 0 0", "no args"},
        {"go five 0", "no args"},
        {"go 05 0", "no args"},
        {"go 1073741825 0", "no range"},
        {"go -1073741825 0", "no range"},
        {"go 3000000000 0", "no args"},
        {"go 5 0", "no unknown-position"},
        {"go 5 5", "no range"},
        {"jog 1073741825 0", "no range"},
        {"find 2", "no range"},
        {"hold 3", "no range"},
        {"set 99 1", "no range"},
        {"set 0 40001", "no range"},
        {"read -1", "no range"},
        {"read 0", "ok 16000"},
        {"read 1", "ok 40000"},
        {"read 2", "ok 6400"},
        {"limit 5 4", "no range"},
        {"shape 0 0 2000 65536", "no range"},
        {"shape 5 0 2000 65536", "no range"},
        {"shape 1 8 2000 65536", "no range"},
        {"shape 1 1 2000 65536", "no shape"},
        {"shape 1 0 199 65536", "no range"},
        {"shape 1 0 2000 65537", "no range"},
        {"fire 10001 5", "no range"},
        {"fire 0 0", "no range"},
        {"fire 0 65001", "no range"},
    };
    struct rig *g = speaking((struct rig_opts){0});
    for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++)
        expect(g, CASES[i][0], CASES[i][1]);
    assert_int_equal(g->edges, 0);
    rig_close(g);
}

static void a_damaged_line_gets_silence_and_a_count(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    char line[128];
    assert_string_equal(rig_send(g, "01 0f state 1234\n", 10000), "");
    assert_string_equal(rig_send(g, "what is this\n", 10000), "");
    memset(line, 'x', 100);
    line[100] = '\n';
    line[101] = '\0';
    assert_string_equal(rig_send(g, line, 10000), "");
    assert_string_equal(rig_send(g, "\n\r\n\n", 10000), ""); /* empty lines are nothing */
    assert_int_equal(state_of(g).badlines, 3);
    rig_close(g);
}

static void a_terminal_can_look_and_halt_but_not_move(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    assert_string_equal(rig_send(g, "=\r\n", 10000), "=rest at 0 unknown target 0 alarm 0 switches 0\n");
    rig_send(g, "go 500 0\n", 500000);
    assert_int_equal(g->edges, 0);
    rig_send(g, "**", 10000);
    assert_string_equal(rig_send(g, "\n=\n", 10000), "=stopped at 0 unknown target 0 alarm 16 switches 0\n");
    rig_close(g);
}

/* --- moves --- */

static void load_shape(struct rig *g, int id, const int (*slots)[2], int count)
{
    char words[64];
    for (int i = 0; i < count; i++) {
        snprintf(words, sizeof words, "shape %d %d %d %d", id, i, slots[i][0], slots[i][1]);
        assert_memory_equal(rig_say(g, words), "ok", 2);
    }
}

/* Four slots of half a period at 12 Hz, as a shaper makes them; and an odd one with a pause in it. */
static const int SHAPER[4][2] = {{83333, 8934}, {83333, 24667}, {83334, 22698}, {83333, 9237}};
static const int ODD[8][2] = {{300000, 0},   {40001, 1},      {200000, 20001}, {123457, 0},
                              {77777, 9999}, {222222, 35000}, {50000, 535},    {10000, 0}};

static void every_move_makes_as_many_pulses_as_it_is_long(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    int64_t start = g->place, total = 0;
    long at = 0;
    int moves = 0;
    expect(g, "here 0", "ok");
    load_shape(g, 1, SHAPER, 4);
    load_shape(g, 3, ODD, 8);
    srand(42);
    for (; moves < 400; moves++) {
        long target = at;
        int shape = 0;
        switch (rand() % 4) {
        case 0:
            target += rand() % 5 - 2;
            break;
        case 1:
            target += rand() % 400 - 200;
            break;
        case 2:
            target = rand() % 60000 - 30000;
            break;
        default:
            shape = rand() % 2 ? 1 : 3;
            target += rand() % 300 - 150;
        }
        rig_forget_edges(g);
        int64_t sent_us = sched_now_us(g->sched);
        long ms = promised(g, go_to(target, shape));
        int64_t left = ms * 1000 - (sched_now_us(g->sched) - sent_us) + 3000; /* 2 ms there, at most */
        live(g, left > 0 ? left : 0);
        struct said s = state_of(g);
        assert_int_equal(s.phase, 0);
        assert_int_equal(s.position, target);
        assert_int_equal(s.target, target);
        assert_int_equal(g->edges, labs(target - at));
        assert_int_equal(g->place - start, target);
        total += g->edges;
        at = target;
    }
    assert_int_equal(state_of(g).stops, 0);
    printf("measured: core: %d random moves, %lld pulses, each counted\n", moves, (long long)total);
    rig_close(g);
}

/* Between neighbouring edges the speed may change by what the acceleration allows in that time, in one slot
 * of a millisecond more, and by what half a microsecond of rounding does. */
static void check_edges(const struct rig *g, double speed, double accel)
{
    for (int32_t i = 1; i < g->edges; i++)
        if ((double)(g->edge_ns[i] - g->edge_ns[i - 1]) < 1e9 / speed - 1000) assert_true(false);
    for (int32_t i = 2; i < g->edges; i++) {
        double before = (double)(g->edge_ns[i - 1] - g->edge_ns[i - 2]) * 1e-9;
        double after = (double)(g->edge_ns[i] - g->edge_ns[i - 1]) * 1e-9;
        double v = 1 / (before < after ? before : after);
        double most = accel * (before + after) / 2 + accel * 1e-3 + 2 * v * v * 0.5e-6;
        if (fabs(1 / after - 1 / before) > most * 1.0001) {
            print_error("edge %d: %g to %g steps/s\n", (int)i, 1 / before, 1 / after);
            assert_true(false);
        }
    }
}

/* The quickest with steady acceleration, and how long a box of 32 slots makes it. */
static double best_time_s(double steps)
{
    double ramp = SPEED * SPEED / ACCEL; /* up and down */
    double steady = steps < ramp ? 2 * sqrt(steps / ACCEL) : 2 * SPEED / ACCEL + (steps - ramp) / SPEED;
    return steps > 0 ? steady + SMOOTH - 0.001 : 0;
}

static void ramps_stay_within_speed_and_acceleration_and_waste_no_time(void **state)
{
    (void)state;
    static const long LENGTHS[] = {1,  2,  3,   4,    5,    7,    10,   20,   40,    73,
                                   74, 80, 100, 1000, 6399, 6400, 6401, 6500, 20000, 100000};
    struct rig *g = speaking((struct rig_opts){0});
    long at = 0;
    double worst_ms = 0;
    expect(g, "here 0", "ok");
    expect(g, "hold 2", "ok");
    for (size_t i = 0; i < sizeof LENGTHS / sizeof *LENGTHS; i++) {
        rig_forget_edges(g);
        at += i % 2 ? -LENGTHS[i] : LENGTHS[i];
        long ms = promised(g, go_to(at, 0));
        live(g, ms * 1000 + 20000);
        assert_int_equal(g->edges, LENGTHS[i]);
        check_edges(g, SPEED, ACCEL);
        double took_ms = (double)(g->edge_ns[g->edges - 1] - g->edge_ns[0]) * 1e-6;
        double best_ms = best_time_s((double)(LENGTHS[i] - 1)) * 1e3;
        assert_true(took_ms > best_ms - 2 && took_ms < best_ms + 4);
        assert_true((double)ms >= took_ms && (double)ms <= took_ms + 2);
        worst_ms = fmax(worst_ms, took_ms - best_ms);
    }
    printf("measured: core: ramps at most %.2f ms slower than the quickest\n", worst_ms);
    rig_close(g);
}

/* An acceleration that comes and goes evenly within a time changes by no more than itself in that time: the
 * ramp convolved with a box (Biagiotti and Melchiorri, Trajectory Planning for Automatic Machines and Robots,
 * Springer 2008, chapter 4; from memory). */
static void acceleration_comes_and_goes_evenly(void **state)
{
    (void)state;
    static const struct {
        double smooth_ms, limit_ms; /* set, and what it is rounded up to */
    } CASES[] = {{32, 32}, {33, 64}, {64, 64}, {128, 128}, {16, 16}, {0, 0}};
    struct rig *g = speaking((struct rig_opts){0});
    double *at_s = calloc(RIG_EDGES, sizeof *at_s);
    char words[40];
    long at = 0;
    expect(g, "here 0", "ok");
    for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
        snprintf(words, sizeof words, "set 12 %.0f", CASES[i].smooth_ms);
        expect(g, words, "ok");
        for (int way = 0; way < 3; way++) {
            static const long WAYS[] = {900, 5000, 20000};
            rig_forget_edges(g);
            at += i % 2 ? -WAYS[way] : WAYS[way];
            live(g, promised(g, go_to(at, 0)) * 1000 + 20000);
            for (int32_t k = 0; k < g->edges; k++)
                at_s[k] = (double)g->edge_ns[k] * 1e-9;
            const struct ramp_seen seen = ramp_see(at_s, g->edges);
            assert_true(seen.looks > 50);
            assert_true(seen.speed <= SPEED * 1.01 && seen.accel <= ACCEL * 1.02);
            /* one too short to cruise goes from speeding up to slowing down within that time */
            const double change = (double)WAYS[way] < SPEED * SPEED / ACCEL ? 2 * ACCEL : ACCEL;
            const double jerk = CASES[i].limit_ms > 0 ? change / CASES[i].limit_ms * 1e3 : 0;
            if (way == 2)
                printf("measured: core: smooth_ms %.0f: jerk %.2g of %.2g steps/s^3\n", CASES[i].smooth_ms,
                       seen.jerk, jerk);
            if (CASES[i].limit_ms >= 16) assert_true(seen.jerk <= jerk * 1.05);
            if (CASES[i].limit_ms <= 0)
                assert_true(seen.jerk > ACCEL / 0.032 * 1.05); /* the check can fail */
        }
    }
    free(at_s);
    rig_close(g);
}

static void slow_and_steep_settings_are_kept_too(void **state)
{
    (void)state;
    static const struct {
        double speed, accel;
        long steps;
    } CASES[] = {{10, 400000, 12},
                 {40000, 400000, 60000},
                 {40000, 1000, 30000},
                 {777, 1000, 900},
                 {39999, 123457, 9999}};
    struct rig *g = speaking((struct rig_opts){0});
    char words[40];
    long at = 0;
    expect(g, "here 0", "ok");
    for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
        snprintf(words, sizeof words, "set 0 %.0f", CASES[i].speed);
        expect(g, words, "ok");
        snprintf(words, sizeof words, "set 1 %.0f", CASES[i].accel);
        expect(g, words, "ok");
        rig_forget_edges(g);
        at += CASES[i].steps;
        live(g, promised(g, go_to(at, 0)) * 1000 + 20000);
        assert_int_equal(g->edges, CASES[i].steps);
        check_edges(g, CASES[i].speed, CASES[i].accel);
    }
    rig_close(g);
}

/* Each slot makes its share of the steps, to half a step, and each at one rate to one tick of 0.5 us. */
static void a_shape_spreads_its_steps_over_its_slots(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    expect(g, "here 0", "ok");
    expect(g, "hold 2", "ok");
    load_shape(g, 2, SHAPER, 4);
    long at = 0;
    for (long steps = 3; steps <= 700; steps = steps * 3 / 2 + 1) {
        rig_forget_edges(g);
        at += steps;
        long ms = promised(g, go_to(at, 2));
        live(g, ms * 1000 + 3000);
        assert_int_equal(g->edges, steps);
        /* The first edge comes when the first slot has gone half a step. */
        double start_ns =
            (double)g->edge_ns[0] - 0.5 * SHAPER[0][0] * 500.0 * 65536 / (SHAPER[0][1] * (double)steps);
        if (SHAPER[0][1] * steps < 32768) continue; /* it lies in a later slot */
        double sum = 0, edge_ns = start_ns;
        int32_t done = 0;
        for (int s = 0; s < 4; s++) {
            sum += SHAPER[s][1] * (double)steps / 65536;
            edge_ns += SHAPER[s][0] * 500.0;
            for (; done < g->edges && (double)g->edge_ns[done] <= edge_ns; done++)
                ;
            assert_true(fabs(done - sum) <= 0.51);
        }
        assert_int_equal(done, steps);
        for (int32_t i = 2; i < g->edges; i++) {
            double t = (double)(g->edge_ns[i - 1] - g->edge_ns[0]) + (double)g->edge_ns[0] - start_ns;
            double before = (double)(g->edge_ns[i - 1] - g->edge_ns[i - 2]);
            double after = (double)(g->edge_ns[i] - g->edge_ns[i - 1]);
            double slot_ns = SHAPER[0][0] * 500.0;
            if (floor((t - before) / slot_ns) == floor((t + after) / slot_ns))
                assert_true(fabs(before - after) <= 500);
        }
        assert_true((double)ms * 1e6 >= (double)(g->edge_ns[g->edges - 1]) - start_ns);
        assert_true((double)ms * 1e6 <= (double)(g->edge_ns[g->edges - 1]) - start_ns + 2e6);
    }
    rig_close(g);
}

static void a_shape_that_is_not_whole_or_too_fast_is_refused(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    expect(g, "here 0", "ok");
    expect(g, "go 10 1", "no shape");
    expect(g, "shape 1 0 20000 65535", "ok 1");
    expect(g, "go 10 1", "no shape");
    expect(g, "shape 1 1 20000 1", "ok 2");
    /* 10 ms a slot: 64 steps are 6400 a second, 65 are more. */
    assert_memory_equal(rig_say(g, "go 64 1"), "ok", 2);
    live(g, 100000);
    expect(g, "go 129 1", "no shape");
    expect(g, "go 40000 1", "no shape"); /* more steps than a shape may have */
    assert_int_equal(g->edges, 64);
    rig_close(g);
}

static void ticks_may_wrap_in_the_middle_of_a_move(void **state)
{
    (void)state;
    int64_t *first = NULL;
    for (int round = 0; round < 2; round++) {
        /* 2^32 ticks less 200 ms of them: the counter wraps while the rail moves. */
        struct rig *g = speaking((struct rig_opts){.native.first_tick = round ? UINT32_MAX - 400000 : 0});
        expect(g, "here 0", "ok");
        live(g, promised(g, "go 3000 0") * 1000 + 20000);
        assert_int_equal(g->edges, 3000);
        if (round) assert_memory_equal(first, g->edge_ns, 3000 * sizeof *first);
        first = realloc(first, 3000 * sizeof *first);
        memcpy(first, g->edge_ns, 3000 * sizeof *first);
        expect(g, "here 0", "ok");
        rig_close(g);
    }
    free(first);
}

static void earlier_and_later_are_right_over_the_wrap(void **state)
{
    (void)state;
    assert_true(tick_before(1, 2));
    assert_false(tick_before(2, 1));
    assert_false(tick_before(5, 5));
    assert_true(tick_before(UINT32_MAX, 0));
    assert_true(tick_before(UINT32_MAX - 5, 100));
    assert_false(tick_before(100, UINT32_MAX - 5));
    assert_true(tick_before(0, INT32_MAX));
    assert_true(tick_before(0x80000000u, 0xffffffffu));
}

static void a_sleeping_driver_is_woken_before_the_first_step(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    int64_t asked_ns;
    assert_int_equal(native_rail_outputs(g->controller) & WIRE_MOTOR_ON, 0);
    for (int round = 0; round < 2; round++) {
        rig_forget_edges(g);
        /* The request has 19 characters, 40 us each, and 1 ms on its way. */
        asked_ns = (sched_now_us(g->sched) + 19 * 40 + 1000) * 1000;
        promised(g, "jog 5 0");
        rig_run_us(g, 50000);
        assert_int_equal(g->edges, 5);
        /* and 32 us for each slot until the second edge: 18 of them */
        assert_in_range(g->edge_ns[0] - asked_ns, 1400000, 1600000 + 18 * 32000);
        assert_int_equal(native_rail_outputs(g->controller), WIRE_MOTOR_ON);
        rig_run_us(g, 100000); /* at rest for a while: less current, never none */
        assert_int_equal(native_rail_outputs(g->controller), WIRE_MOTOR_ON | WIRE_MOTOR_REDUCED);
    }
    rig_close(g);
}

/* --- halting --- */

static void two_asterisks_stop_with_a_ramp_and_one_does_not(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    expect(g, "here 0", "ok");
    promised(g, "go 30000 0");
    rig_run_us(g, 700000);
    rig_send(g, "*\n", 50000);
    assert_int_equal(state_of(g).phase, 1);
    int32_t before = g->edges;
    rig_send(g, "**\n", 600000);
    struct said s = state_of(g);
    assert_int_equal(s.phase, 3);
    assert_int_equal(s.alarm, 16);
    assert_int_equal(s.known, 2);
    assert_int_equal(s.stops, 1);
    assert_int_equal(s.position, g->edges);
    assert_int_equal(s.target, g->edges);
    /* v^2 / 2a = 3200 steps, and what passes in a few milliseconds. */
    assert_in_range(g->edges - before, 3100, 3200 + 16000 / 1000 * 20);
    check_edges(g, SPEED, ACCEL);
    expect(g, "go 0 0", "no alarm");
    expect(g, "find 0", "no alarm");
    expect(g, "fire 0 10", "no alarm");
    expect(g, "clear", "ok");
    int32_t stood = g->edges;
    live(g, promised(g, "go 0 0") * 1000 + 10000);
    assert_int_equal(g->edges, 2 * stood);
    assert_int_equal(state_of(g).position, 0);
    rig_close(g);
}

static void a_halt_at_any_moment_loses_no_step(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    int64_t start = g->place;
    expect(g, "here 0", "ok");
    load_shape(g, 1, SHAPER, 4);
    srand(9);
    for (int round = 0; round < 120; round++) {
        bool shaped = round % 3 == 0;
        long target = state_of(g).position + (shaped ? 200 : rand() % 9000 + 1) * (round % 2 ? 1 : -1);
        rig_forget_edges(g);
        promised(g, go_to(target, shaped ? 1 : 0));
        rig_run_us(g, rand() % 200000);
        rig_send(g, round % 5 ? "****\n" : "7f 16 go 12**", 500000);
        rig_send(g, "\n", 3000);
        check_edges(g, SPEED, shaped ? 1e12 : ACCEL * 1e6); /* the speed; a slow rail may stop at once */
        struct said s = state_of(g);
        assert_int_equal(s.phase, 3);
        assert_int_equal(s.position, g->place - start);
        expect(g, "clear", "ok");
    }
    rig_close(g);
}

static void silence_stops_a_move_after_a_second(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    expect(g, "here 0", "ok");
    int64_t said_us = sched_now_us(g->sched);
    promised(g, "go 100000 0");
    rig_run_us(g, 3000000);
    assert_true(g->edges < 25000);
    /* 1 s after the line, and 0.4 s of ramp. */
    assert_in_range(g->edge_ns[g->edges - 1] / 1000 - said_us, 1000000 + 380000, 1000000 + 430000);
    check_edges(g, SPEED, ACCEL);
    struct said s = state_of(g);
    assert_int_equal(s.phase, 3);
    assert_int_equal(s.alarm, 17);
    assert_int_equal(s.position, g->edges);
    rig_close(g);
}

static void any_valid_line_is_a_sign_of_life_and_a_damaged_one_is_not(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    expect(g, "here 0", "ok");
    promised(g, "go 100000 0");
    for (int i = 0; i < 4; i++) {
        rig_run_us(g, 900000);
        assert_int_equal(state_of(g).phase, 1);
    }
    for (int i = 0; i < 4; i++)
        rig_send(g, "01 0f state 1234\n=\n", 400000);
    assert_int_equal(state_of(g).alarm, 17);
    rig_close(g);
}

/* --- switches --- */

static void a_target_beyond_the_limits_is_refused(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    expect(g, "limit -100 200", "ok");
    expect(g, "here 0", "ok");
    expect(g, "go 201 0", "no limit");
    expect(g, "go -101 0", "no limit");
    expect(g, "jog 201 0", "no limit");
    expect(g, "find 0", "ok"); /* looks for the switch all the same */
    rig_send(g, "**\n", 10000);
    rig_close(g);
}

static void the_end_switch_ends_a_move_at_once(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){.stands_at = 90000, .length = 100000});
    live(g, promised(g, "jog 20000 0") * 1000);
    struct said s = state_of(g);
    assert_int_equal(s.phase, 4);
    assert_int_equal(s.alarm, 3);
    assert_int_equal(g->place, 100002); /* 62.5 us apart: those within 100 us of the first that saw it */
    assert_int_equal(s.position, 10002);
    assert_int_equal(s.known, 0); /* a motor that stands still at once at 16000 steps/s has slipped */
    expect(g, "jog 1 0", "no alarm");
    expect(g, "clear", "ok");
    expect(g, "jog 1 0", "no limit"); /* only away from it */
    live(g, promised(g, "jog -500 0") * 1000 + 10000);
    s = state_of(g);
    assert_int_equal(s.phase, 0);
    assert_int_equal(s.switches, 0);
    assert_int_equal(g->place, 100002 - 500);
    rig_close(g);
}

static void a_single_bad_sample_of_a_switch_stops_nothing(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    promised(g, "jog 5000 0");
    rig_run_us(g, 40000); /* faster than one edge, and so one sample, in 7 ms */
    for (int i = 0; i < 50; i++) {
        g->far_glitches = 1;
        rig_run_us(g, 7000);
    }
    live(g, 500000);
    assert_int_equal(state_of(g).phase, 0);
    assert_int_equal(g->edges, 5000);
    rig_close(g);
}

static void the_switch_behind_the_motion_is_an_alarm(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    promised(g, "jog 5000 0");
    rig_run_us(g, 100000);
    g->near_stuck = true;
    int32_t before = g->edges;
    rig_run_us(g, 300000);
    assert_in_range(g->edges - before, 0, 1);
    assert_int_equal(state_of(g).alarm, 4);
    rig_close(g);
}

static void a_switch_that_never_lets_go_is_an_alarm(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    g->near_stuck = true;
    promised(g, "jog 50000 0");
    live(g, 3000000);
    assert_int_equal(state_of(g).alarm, 4);
    assert_int_equal(g->edges, 3200);
    rig_close(g);
}

static void both_switches_open_is_a_broken_wire(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    promised(g, "jog 5000 0");
    rig_run_us(g, 100000);
    g->wire_broken = true;
    int32_t before = g->edges;
    rig_run_us(g, 300000);
    assert_in_range(g->edges - before, 0, 1);
    assert_int_equal(state_of(g).alarm, 2);
    expect(g, "clear", "no alarm"); /* not while it lasts */
    g->wire_broken = false;
    native_rail_look(g->controller);
    rig_run_us(g, 1000);
    expect(g, "clear", "ok");
    g->wire_broken = true;
    rig_run_us(g, 1000);
    expect(g, "jog 5 0", "no alarm"); /* nor does anything start */
    expect(g, "find 0", "no alarm");
    rig_close(g);
}

static void the_emergency_input_lets_at_most_one_more_pulse_out(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    int32_t worst = 0;
    for (int round = 0; round < 30; round++) {
        expect(g, "here 0", "ok");
        long at = state_of(g).position;
        promised(g, go_to(at + (round % 2 ? 20000 : -20000), 0));
        rig_run_us(g, 1000 + round * 17777);
        g->emergency = true;
        int32_t before = g->edges;
        rig_run_us(g, 600000);
        if (g->edges - before > worst) worst = g->edges - before;
        struct said s = state_of(g);
        assert_int_equal(s.phase, 4);
        assert_int_equal(s.alarm, 1);
        assert_int_equal(s.known, 0); /* the button may have cut the driver's supply, too */
        expect(g, "clear", "no alarm");
        g->emergency = false;
        native_rail_look(g->controller);
        rig_run_us(g, 1000);
        expect(g, "clear", "ok");
        expect(g, "go 0 0", "no unknown-position");
    }
    assert_in_range(worst, 0, 1);
    g->emergency = true;
    native_rail_look(g->controller);
    assert_int_equal(state_of(g).alarm, 1); /* at rest, too */
    printf("measured: core: %d pulse at most after the emergency input opened\n", (int)worst);
    rig_close(g);
}

/* --- finding --- */

static void find_makes_zero_where_the_switch_opens(void **state)
{
    (void)state;
    static const struct {
        int64_t at;
        int end;
    } CASES[] = {{5000, 0}, {1, 0}, {0, 0}, {-500, 0}, {25000, 1}, {29999, 1}, {30400, 1}, {160, 0}};
    for (size_t i = 0; i < sizeof CASES / sizeof *CASES; i++) {
        struct rig *g =
            speaking((struct rig_opts){.stands_at = CASES[i].at ? CASES[i].at : 1, .length = 30000});
        g->place = CASES[i].at;
        native_rail_look(g->controller);
        expect(g, CASES[i].end ? "find 1" : "find 0", "ok");
        for (int t = 0; t < 200 && state_of(g).phase == 2; t++)
            rig_run_us(g, 90000);
        struct said s = state_of(g);
        assert_int_equal(s.phase, 0);
        assert_int_equal(s.known, 2);
        assert_int_equal(s.switches, 0);
        int64_t zero = g->place - s.position;
        if (CASES[i].end)
            assert_int_equal(zero, 30001);
        else
            assert_int_equal(zero, -1);
        assert_in_range(labs(s.position), 150, 180); /* off the switch again */
        check_edges(g, JUMP, 1e12);
        rig_close(g);
    }
}

static void find_gives_up_where_no_switch_comes(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    expect(g, "set 8 10000", "ok");
    expect(g, "find 0", "ok");
    live(g, 4000000);
    struct said s = state_of(g);
    assert_int_equal(s.phase, 4);
    assert_int_equal(s.alarm, 5);
    assert_int_equal(s.known, 0);
    assert_int_equal(g->edges, 10000);
    expect(g, "clear", "ok");
    expect(g, "set 7 2", "ok");
    expect(g, "find 0", "no range"); /* no near switch is fitted */
    rig_close(g);
}

static void find_with_swapped_switches_stops(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){.stands_at = 500, .length = 30000});
    expect(g, "set 10 1", "ok"); /* CLEAR is 10 */
    expect(g, "set 11 1", "ok"); /* the motor turns the other way */
    g->place = 29500;
    expect(g, "find 0", "ok");
    live(g, 3000000);
    assert_int_equal(state_of(g).alarm, 4);
    assert_in_range(g->place, 30000, 30001);
    rig_close(g);
}

/* --- shutter outputs, current --- */

static void fire_presses_half_then_full_then_lets_go(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    expect(g, "fire 300 500", "ok 800 1");
    unsigned half = WIRE_HALF_PRESSED, full = WIRE_HALF_PRESSED | WIRE_FULL_PRESSED;
    assert_int_equal(native_rail_outputs(g->controller), half);
    expect(g, "jog 5 0", "no busy");
    expect(g, "fire 0 5", "no busy");
    rig_run_us(g, 250000);
    assert_int_equal(native_rail_outputs(g->controller), half);
    rig_run_us(g, 50000);
    assert_int_equal(native_rail_outputs(g->controller), full);
    rig_run_us(g, 440000);
    assert_int_equal(native_rail_outputs(g->controller), full);
    rig_run_us(g, 50000);
    assert_int_equal(native_rail_outputs(g->controller), 0);
    assert_int_equal(state_of(g).shots, 1);
    rig_close(g);
}

static void the_shutter_closes_by_drop_by_halt_and_by_silence(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    expect(g, "fire 0 60000", "ok 60000 1");
    assert_int_equal(native_rail_outputs(g->controller), WIRE_HALF_PRESSED | WIRE_FULL_PRESSED);
    expect(g, "drop", "ok");
    assert_int_equal(native_rail_outputs(g->controller), 0);
    expect(g, "fire 0 60000", "ok 60000 2");
    live(g, 5000000);
    assert_int_equal(native_rail_outputs(g->controller), WIRE_HALF_PRESSED | WIRE_FULL_PRESSED);
    rig_run_us(g, 1100000);
    assert_int_equal(native_rail_outputs(g->controller), 0);
    assert_int_equal(state_of(g).alarm, 17);
    expect(g, "clear", "ok");
    expect(g, "fire 5000 60000", "ok 65000 3");
    rig_send(g, "**\n", 5000);
    assert_int_equal(native_rail_outputs(g->controller), 0);
    assert_int_equal(state_of(g).alarm, 16);
    expect(g, "clear", "ok");
    expect(g, "set 6 100", "ok"); /* the longest time that it may be on */
    expect(g, "fire 0 101", "no range");
    rig_close(g);
}

static void without_current_the_position_is_only_counted(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    expect(g, "here 7", "ok");
    assert_int_equal(state_of(g).known, 2);
    expect(g, "hold 2", "ok");
    assert_int_equal(native_rail_outputs(g->controller), WIRE_MOTOR_ON);
    expect(g, "hold 1", "ok");
    assert_int_equal(native_rail_outputs(g->controller), WIRE_MOTOR_ON | WIRE_MOTOR_REDUCED);
    assert_int_equal(state_of(g).known, 2);
    expect(g, "hold 0", "ok");
    assert_int_equal(native_rail_outputs(g->controller), 0);
    assert_int_equal(state_of(g).known, 1);
    promised(g, "go 9 0"); /* a motion brings it back, and it stays */
    rig_run_us(g, 300000);
    assert_int_equal(native_rail_outputs(g->controller), WIRE_MOTOR_ON | WIRE_MOTOR_REDUCED);
    assert_int_equal(state_of(g).known, 1);
    rig_close(g);
}

/* --- settings --- */

static void settings_outlast_a_reset_and_the_position_does_not(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){0});
    char nonce[5];
    expect(g, "here 7", "ok");
    expect(g, "set 3 555", "ok");
    expect(g, "set 4 77", "ok");
    expect(g, "save", "ok 2");
    expect(g, "set 3 556", "ok"); /* not saved */
    memcpy(nonce, g->heard + 6, 4);
    g->heard_count = 0;
    native_rail_reset(g->controller);
    rig_run_us(g, 10000);
    assert_non_null(strstr(g->heard, " up 1 "));
    g->seq = 0;
    expect(g, "read 3", "ok 555");
    assert_true(memcmp(nonce, g->heard + 6, 4));
    expect(g, "read 4", "ok 77");
    assert_int_equal(state_of(g).known, 0);
    assert_int_equal(state_of(g).position, 0);
    rig_close(g);
}

/* The table of keys in hw-docs/wire.md is the promise; least, most and usual value of each are tried. */
static void every_parameter_has_the_range_that_the_document_says(void **state)
{
    (void)state;
    FILE *f = fopen("hw-docs/wire.md", "r");
    char row[4096], words[64], reply[64];
    int keys = 0;
    struct rig *g = speaking((struct rig_opts){0});
    assert_non_null(f);
    while (fgets(row, sizeof row, f)) {
        int key;
        long least, most, usual;
        if (sscanf(row, "| %d | %*[a-z_] | %*[^|]| %ld | %ld | %ld |", &key, &least, &most, &usual) != 4)
            continue;
        assert_int_equal(key, keys++);
        snprintf(words, sizeof words, "read %d", key);
        snprintf(reply, sizeof reply, "ok %ld", usual);
        expect(g, words, reply);
        const long tried[4] = {least - 1, most + 1, least, most};
        for (int i = 0; i < 4; i++) {
            snprintf(words, sizeof words, "set %d %ld", key, tried[i]);
            expect(g, words, i < 2 ? "no range" : "ok");
        }
    }
    fclose(f);
    assert_int_equal(keys, 13);
    expect(g, "read 13", "no range");
    rig_close(g);
}

static void a_torn_save_leaves_the_old_or_the_new_settings(void **state)
{
    (void)state;
    uint8_t before[2 * CORE_STORE_SIZE], after[2 * CORE_STORE_SIZE];
    size_t size;
    struct rig *g = speaking((struct rig_opts){0});
    uint8_t *store = native_rail_storage(g->controller, &size);
    assert_int_equal(size, sizeof before);
    expect(g, "set 3 555", "ok");
    expect(g, "save", "ok 2");
    expect(g, "set 3 666", "ok");
    memcpy(before, store, size);
    expect(g, "save", "ok 3");
    memcpy(after, store, size);
    int olds = 0, news = 0;
    for (size_t cut = 0; cut <= size; cut++) {
        for (int erased = 0; erased < 2; erased++) {
            memcpy(store, after, cut);
            memcpy(store + cut, before + cut, size - cut);
            if (erased && cut < size && before[cut] != after[cut])
                store[cut] = 0xff; /* the byte that was being written */
            native_rail_reset(g->controller);
            rig_run_us(g, 10000);
            g->seq = 0;
            const char *said = rig_say(g, "read 3");
            bool is_new = !strcmp(said, "ok 666");
            assert_true(is_new || !strcmp(said, "ok 555"));
            olds += !is_new;
            news += is_new;
            assert_int_equal(state_of(g).phase, 0);
        }
    }
    assert_true(olds > 50 && news > 1);
    rig_close(g);
}

static void without_valid_settings_nothing_moves_until_they_are_saved(void **state)
{
    (void)state;
    struct rig *g = speaking((struct rig_opts){.native.blank_storage = true});
    assert_int_equal(state_of(g).alarm, 7);
    expect(g, "jog 5 0", "no alarm");
    expect(g, "fire 0 5", "no alarm");
    expect(g, "clear", "no alarm");
    expect(g, "set 0 1000", "ok");
    expect(g, "clear", "no alarm");
    expect(g, "save", "ok 1");
    expect(g, "clear", "ok");
    promised(g, "jog 5 0");
    rig_run_us(g, 100000);
    assert_int_equal(g->edges, 5);
    rig_close(g);
}

/* --- doubt --- */

/* A main loop that never comes round: tick runs dry and must not call that the end of the move. */
static void a_queue_that_runs_dry_is_an_alarm(void **state)
{
    (void)state;
    struct core c;
    uint32_t now = 0, due;
    int32_t edges = 0;
    uint8_t boot_line;
    core_init(&c, &(struct core_port){0}, 1, CORE_POWER_ON, 0, now);
    while (core_take(&c, &boot_line)) /* it answers nothing before that has left */
        ;
    c.settings_good = true; /* no storage here */
    c.phase = WIRE_REST;
    for (const char *p = rig_line(1, "jog 3000 0"); *p; p++)
        core_byte(&c, (uint8_t)*p, 0, now);
    while (core_step_due(&c, &due)) {
        now = due;
        edges += core_tick(&c, 0, now);
    }
    core_task(&c, 0, now);
    assert_int_equal(c.phase, WIRE_ALARM);
    assert_int_equal(c.alarm, WIRE_UNDERRUN);
    assert_int_equal(c.position, edges);
    assert_true(edges > 0 && edges < 3000);
}

/* Whatever comes in, well formed or not: the counted position is the carriage's. */
static void no_input_makes_the_count_wrong(void **state)
{
    (void)state;
    static const char *const WORDS[] = {"hello", "state", "go",   "jog",   "shape", "find", "here", "limit",
                                        "fire",  "drop",  "hold", "clear", "set",   "read", "save"};
    struct rig *g = speaking((struct rig_opts){.stands_at = 20000, .length = 40000});
    int64_t offset = g->place; /* place less position */
    srand(77);
    for (int round = 0; round < 6000; round++) {
        char words[80];
        int n = snprintf(words, sizeof words, "%s", WORDS[(size_t)rand() % 15]);
        int args = rand() % 5;
        for (int i = 0; i < args && n < 45; i++) {
            long value = rand() % 3   ? rand() % 9
                         : rand() % 2 ? rand() % 20000 - 10000
                                      : (long)rand() * (rand() % 2 ? 1 : -1);
            n += snprintf(words + n, sizeof words - (size_t)n, " %ld", value);
        }
        if (rand() % 50 == 0) {
            char noise[40];
            for (int i = 0; i < 39; i++)
                noise[i] = (char)(rand() % 255 + 1);
            noise[39] = '\0';
            rig_send(g, noise, 2000);
            rig_send(g, "\n", 2000);
        }
        if (!strncmp(words, "find", 4)) continue;   /* moves the zero; tested above */
        if (!strncmp(words, "set 11", 6)) continue; /* the motor the other way */
        const char *said = rig_say(g, words);
        if (!strncmp(words, "here", 4) && !strncmp(said, "ok", 2)) {
            offset = g->place - strtol(words + 5, NULL, 10);
            continue;
        }
        if (rand() % 3 == 0) rig_run_us(g, rand() % 300000);
        if (rand() % 10 == 0) rig_say(g, "clear");
        if (rand() % 10 == 0) rig_say(g, "limit -1000000000 1000000000");
        if (!*said || !strncmp(said, "no seq", 6)) rig_say(g, "hello");
        if (rand() % 8 == 0) {
            rig_send(g, "**\n", 600000);
            struct said s = state_of(g);
            assert_true(s.phase == 3 || s.phase == 4);
            assert_int_equal(g->place - offset, s.position);
        }
    }
    assert_true(g->edges > 1000);
    rig_close(g);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_comes_on_at_start),
        cmocka_unit_test(hello_and_state_say_what_the_document_says),
        cmocka_unit_test(sequence_numbers_keep_their_rules),
        cmocka_unit_test(words_are_checked_before_they_act),
        cmocka_unit_test(a_damaged_line_gets_silence_and_a_count),
        cmocka_unit_test(a_terminal_can_look_and_halt_but_not_move),
        cmocka_unit_test(every_move_makes_as_many_pulses_as_it_is_long),
        cmocka_unit_test(ramps_stay_within_speed_and_acceleration_and_waste_no_time),
        cmocka_unit_test(acceleration_comes_and_goes_evenly),
        cmocka_unit_test(slow_and_steep_settings_are_kept_too),
        cmocka_unit_test(a_shape_spreads_its_steps_over_its_slots),
        cmocka_unit_test(a_shape_that_is_not_whole_or_too_fast_is_refused),
        cmocka_unit_test(ticks_may_wrap_in_the_middle_of_a_move),
        cmocka_unit_test(earlier_and_later_are_right_over_the_wrap),
        cmocka_unit_test(a_sleeping_driver_is_woken_before_the_first_step),
        cmocka_unit_test(two_asterisks_stop_with_a_ramp_and_one_does_not),
        cmocka_unit_test(a_halt_at_any_moment_loses_no_step),
        cmocka_unit_test(silence_stops_a_move_after_a_second),
        cmocka_unit_test(any_valid_line_is_a_sign_of_life_and_a_damaged_one_is_not),
        cmocka_unit_test(a_target_beyond_the_limits_is_refused),
        cmocka_unit_test(the_end_switch_ends_a_move_at_once),
        cmocka_unit_test(a_single_bad_sample_of_a_switch_stops_nothing),
        cmocka_unit_test(the_switch_behind_the_motion_is_an_alarm),
        cmocka_unit_test(a_switch_that_never_lets_go_is_an_alarm),
        cmocka_unit_test(both_switches_open_is_a_broken_wire),
        cmocka_unit_test(the_emergency_input_lets_at_most_one_more_pulse_out),
        cmocka_unit_test(find_makes_zero_where_the_switch_opens),
        cmocka_unit_test(find_gives_up_where_no_switch_comes),
        cmocka_unit_test(find_with_swapped_switches_stops),
        cmocka_unit_test(fire_presses_half_then_full_then_lets_go),
        cmocka_unit_test(the_shutter_closes_by_drop_by_halt_and_by_silence),
        cmocka_unit_test(without_current_the_position_is_only_counted),
        cmocka_unit_test(settings_outlast_a_reset_and_the_position_does_not),
        cmocka_unit_test(every_parameter_has_the_range_that_the_document_says),
        cmocka_unit_test(a_torn_save_leaves_the_old_or_the_new_settings),
        cmocka_unit_test(without_valid_settings_nothing_moves_until_they_are_saved),
        cmocka_unit_test(a_queue_that_runs_dry_is_an_alarm),
        cmocka_unit_test(no_input_makes_the_count_wrong),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
