/* What ends a move before its end: the emergency input at 200 instants, end switches, homing. One list, run
 * on the virtual controller and on the chip. That a controller has to stop so is common practice, no source.
 */
#include "tests/support/test.h"

#include "staddle/wire.h"
#include "tests/chip/chip.h"
#include "tests/support/rail_rig.h"

#define INSTANTS 25 /* of each class */

static uint32_t chance = 4;

static int32_t draw(int32_t least, int32_t most)
{
    chance = chance * 1664525u + 1013904223u;
    return least + (int32_t)((uint64_t)chance * (uint32_t)(most - least + 1) >> 32);
}

static void until_pulses(struct board *b, int64_t pulses)
{
    for (int64_t give_up = b->now + 2000 * CYCLES_MS; b->pulses < pulses;) {
        b->ops->run(b, CYCLES_US);
        assert_true(b->now < give_up);
    }
}

/* --- the emergency input --- */

enum moment {
    RAMP_UP,
    CRUISE,
    RAMP_DOWN,
    BETWEEN_SLOTS,
    FIRST_100_US,
    LAST_PULSE,
    MID_LINE,
    EEPROM_WRITE,
    MOMENTS
};

static const char *const MOMENT[] = {"ramp up",      "cruise",     "ramp down", "between slots",
                                     "first 100 us", "last pulse", "mid-line",  "EEPROM write"};

/* 16000 steps/s, 400000 steps/s^2: 320 steps up in 40 ms, and down; 2000 in all. */
#define STEPS     2000
#define RAMP      300
#define CRUISE_IN 1000 /* cycles between edges */

static int64_t last_interval(const struct board *b)
{
    return b->edges < 2 ? 0 : b->edge[b->edges - 1].cycle - b->edge[b->edges - 2].cycle;
}

/* Runs to the moment, and says whether it is one of that class, by what was seen at the pin. */
static bool come_to(struct board *b, enum moment m, int64_t pulses)
{
    int64_t edge = 0, slot = draw(4, 40);
    switch (m) {
    case RAMP_UP:
        edge = draw(3, RAMP);
        break;
    case RAMP_DOWN:
        edge = draw(STEPS - RAMP, STEPS - 3);
        break;
    case LAST_PULSE:
        edge = STEPS - 1;
        break;
    case FIRST_100_US:
        edge = 1;
        break;
    case BETWEEN_SLOTS: /* the last edge of a run, so that the next word is on */
        for (int32_t i = 0; i < slot && i < b->words; i++)
            edge += b->word[i].steps;
        if (edge == 0 || edge > STEPS - 400) return false;
        break;
    default:
        edge = draw(500, STEPS - 500);
    }
    until_pulses(b, pulses + edge);
    int64_t interval = last_interval(b), into = draw(0, m == FIRST_100_US ? 1600 : 400);
    b->ops->run(b, into);
    if (m == RAMP_UP || m == RAMP_DOWN) return interval > CRUISE_IN * 102 / 100;
    if (m == CRUISE || m == MID_LINE)
        return interval < CRUISE_IN * 110 / 100 && interval > CRUISE_IN * 90 / 100;
    if (m == FIRST_100_US) return b->now - b->edge[0].cycle <= 1700;
    if (m == LAST_PULSE) return b->pulses - pulses <= STEPS;
    return true;
}

/* Returns the pulses after the trip. */
static int64_t trip(struct board *b, enum moment m, int32_t *of_class)
{
    char words[40];
    board_expect(b, "here 0", "ok");
    board_forget(b);
    int64_t pulses = b->pulses;
    if (m == EEPROM_WRITE) {
        char line[20];
        snprintf(line, sizeof line, "set 4 %d", (int)draw(1, 60000)); /* something to write */
        board_expect(b, line, "ok");
        b->ops->run(b, 100 * CYCLES_US);
        board_send(b, "");
        b->seq = b->seq == 0xff ? 1 : (uint8_t)(b->seq + 1);
        const char *save = rig_line(b->seq, "save");
        b->ops->send(b, save, strlen(save));
        b->ops->run(b, (int64_t)strlen(save) * CYCLES_BYTE + draw(0, 2000));
        *of_class += strchr(b->heard, '\n') == NULL; /* no answer yet: it is at it */
    } else {
        snprintf(words, sizeof words, "go %d 0", STEPS * (draw(0, 1) ? 1 : -1));
        board_promise(b, words);
        if (m == MID_LINE) b->ops->send(b, "4f 16 go 12033", 14);
        *of_class += come_to(b, m, pulses);
    }
    int64_t before = b->pulses;
    b->ops->inputs(b, WIRE_EMERGENCY_OPEN);
    board_run_us(b, 400000);
    return b->pulses - before;
}

static void an_emergency_lets_one_more_pulse_out_at_most_on(struct board *b)
{
    int64_t most[MOMENTS] = {0}, all = 0;
    char line[400];
    int n = 0;
    board_expect(b, "set 1 400000", "ok");
    /* The virtual controller's storage takes no time. */
    int moments = b->ops->name[0] == 'h' ? EEPROM_WRITE : MOMENTS;
    for (int m = 0; m < moments; m++) {
        int32_t of_class = 0;
        for (int tries = 0; of_class < INSTANTS && tries < 4 * INSTANTS; tries++) {
            int64_t net = b->net, after = trip(b, (enum moment)m, &of_class);
            if (after > most[m]) most[m] = after;
            board_send(b, "\n"); /* ends what mid-line has begun */
            board_run_us(b, 1000);
            struct board_state s = board_state(b);
            assert_int_equal(s.phase, 4);
            if (s.alarm != WIRE_EMERGENCY)
                fail_msg("%s: %s: alarm %ld after %d edges", b->ops->name, MOMENT[m], s.alarm, b->edges);
            assert_int_equal(s.known, 0);
            assert_int_equal(s.position, b->net - net); /* counted from `here 0` */
            board_expect(b, "clear", "no alarm");
            b->ops->inputs(b, 0);
            board_run_us(b, 50000);
            board_expect(b, "go 1 0", "no alarm"); /* latched */
            board_expect(b, "clear", "ok");
            board_expect(b, "go 1 0", "no unknown-position"); /* until it is homed */
        }
        if (of_class < INSTANTS) fail_msg("%s: only %d instants of '%s'", b->ops->name, of_class, MOMENT[m]);
        all += of_class;
        n += snprintf(line + n, sizeof line - (size_t)n, " %s %lld,", MOMENT[m], (long long)most[m]);
        assert_in_range(most[m], 0, 1);
    }
    print_message("measured: %s: pulses after the emergency input, at most, at %lld instants:%s\n",
                  b->ops->name, (long long)all, line);
}

/* --- end switches --- */

/* A carriage between two switches. */
static struct track {
    int64_t place, length;
    bool near_stuck, far_stuck;
    unsigned open;
} track;

static unsigned track_open(void)
{
    return (track.place <= 0 || track.near_stuck ? WIRE_NEAR_OPEN : 0u) |
           (track.place >= track.length || track.far_stuck ? WIRE_FAR_OPEN : 0u);
}

static void track_edge(struct board *b, void *arg)
{
    (void)arg;
    track.place += b->edge[b->edges - 1].dir;
    if (track_open() != track.open) b->ops->inputs(b, track.open = track_open());
}

static void lay_track(struct board *b, int64_t place, int64_t length)
{
    b->on_edge = track_edge;
    track = (struct track){.place = place, .length = length};
    b->ops->inputs(b, track.open = track_open());
    board_run_us(b, 50000);
}

static void an_end_switch_stops_within_its_sampling_time_on(struct board *b)
{
    static const int SPEED[] = {100, 1000, 6000, 12000, 25000, 40000};
    board_expect(b, "set 1 400000", "ok");
    for (size_t i = 0; i < sizeof SPEED / sizeof *SPEED; i++) {
        char words[40];
        int32_t steps = SPEED[i] < 10000 ? SPEED[i] / 5 : 4000;
        lay_track(b, 100000 - steps, 100000);
        board_expect(b, "here 0", "ok");
        snprintf(words, sizeof words, "set 0 %d", SPEED[i]);
        board_expect(b, words, "ok");
        snprintf(words, sizeof words, "go %d 0", (int)(steps + 3000));
        board_promise(b, words);
        for (int k = 0; k < 100 && board_state(b).phase == 1; k++)
            board_run_us(b, 20000);
        struct board_state s = board_state(b);
        /* two samples 100 us apart, the first at the edge itself or the one after; and one edge that is armed
         */
        long after = (long)(track.place - 100000), most = SPEED[i] / 10000 + 2;
        print_message("measured: %s: %d steps/s into the end switch: %ld pulses after it\n", b->ops->name,
                      SPEED[i], after);
        assert_int_equal(s.phase, 4);
        assert_int_equal(s.alarm, WIRE_END_REACHED);
        assert_int_equal(s.position, steps + after);
        assert_in_range(after, 0, most);
        assert_int_equal(s.known, SPEED[i] <= 6400 ? 2 : 0); /* above the start speed it has slipped */
        board_expect(b, "clear", "ok");
        board_expect(b, "jog 5 0", "no limit");
        board_live_us(b, board_promise(b, "jog -400 0") * 1000);
        assert_int_equal(board_state(b).phase, 0);
    }
    b->on_edge = NULL;
}

/* --- homing --- */

/* Each time the contact changes it chatters for 300 us. */
static void find(struct board *b, const char *words, bool chatter)
{
    unsigned was = track.open, contact = words[5] == '0' ? WIRE_NEAR_OPEN : WIRE_FAR_OPEN;
    int64_t changed = -CYCLES_MS, asked = 0;
    board_expect(b, words, "ok");
    for (int64_t end = b->now + 20000 * CYCLES_MS; b->now < end;) {
        b->ops->run(b, chatter ? 30 * CYCLES_US : 1000 * CYCLES_US);
        if (track.open != was) changed = b->now;
        was = track.open;
        if (chatter && b->now - changed < 300 * CYCLES_US) {
            b->ops->inputs(b, draw(0, 1) ? track.open : track.open ^ contact);
        } else if (chatter && changed >= 0) {
            b->ops->inputs(b, track.open);
        }
        if (b->now - asked < 100 * CYCLES_MS) continue;
        asked = b->now;
        if (board_state(b).phase != 2) break;
    }
}

static void homing_finds_the_switch_to_one_microstep_on(struct board *b)
{
    static const int64_t FROM[] = {3000, 1500, 1, 0, -200, 5}; /* from afar, near, on it */
    board_expect(b, "set 0 16000", "ok");
    for (int end = 0; end < 2; end++)
        for (int chatter = 0; chatter < 2; chatter++) {
            int64_t least = INT64_MAX, most = INT64_MIN;
            for (size_t i = 0; i < sizeof FROM / sizeof *FROM; i++) {
                lay_track(b, end ? 20000 - FROM[i] : FROM[i], 20000);
                find(b, end ? "find 1" : "find 0", chatter);
                struct board_state s = board_state(b);
                if (s.phase != 0)
                    fail_msg("%s: find %d from %lld: alarm %ld", b->ops->name, end, (long long)FROM[i],
                             s.alarm);
                assert_int_equal(s.known, 2);
                assert_int_equal(s.switches, 0); /* off the switch again */
                int64_t zero = track.place - s.position;
                if (zero < least) least = zero;
                if (zero > most) most = zero;
            }
            print_message("measured: %s: find %d%s: zero at %lld to %lld, the switch opens at %d\n",
                          b->ops->name, end, chatter ? ", chattering" : "", (long long)least, (long long)most,
                          end ? 20000 : 0);
            assert_true(most - least <= 1);
            assert_true(llabs(least - (end ? 20000 : 0)) <= 3);
        }
    /* a broken wire: nothing starts; a switch that never lets go, or none that comes: an alarm */
    lay_track(b, 5000, 20000);
    track.near_stuck = track.far_stuck = true;
    b->ops->inputs(b, track.open = track_open());
    board_run_us(b, 50000);
    int64_t pulses = b->pulses;
    board_expect(b, "find 0", "no alarm");
    assert_int_equal(b->pulses, pulses);
    lay_track(b, 5000, 20000);
    track.near_stuck = true;
    b->ops->inputs(b, track.open = track_open());
    board_run_us(b, 50000);
    find(b, "find 0", false);
    struct board_state s = board_state(b);
    assert_int_equal(s.phase, 4);
    assert_int_equal(s.alarm, WIRE_WRONG_SWITCH);
    track.near_stuck = false;
    b->ops->inputs(b, track.open = track_open());
    board_run_us(b, 50000);
    board_expect(b, "clear", "ok");
    board_expect(b, "set 8 1000", "ok");
    lay_track(b, 5000, 20000);
    find(b, "find 0", false);
    assert_int_equal(board_state(b).alarm, WIRE_NOT_FOUND);
    board_expect(b, "clear", "ok");
    board_expect(b, "set 8 800000", "ok");
    b->on_edge = NULL;
}

static void on_both(void (*scenario)(struct board *))
{
    for (int k = 0; k < 2; k++) {
        struct board *b = k ? board_chip() : board_here();
        scenario(b);
        board_close(b);
    }
}

static void an_emergency_lets_one_more_pulse_out_at_most(void **state)
{
    (void)state;
    on_both(an_emergency_lets_one_more_pulse_out_at_most_on);
}

static void an_end_switch_stops_within_its_sampling_time(void **state)
{
    (void)state;
    on_both(an_end_switch_stops_within_its_sampling_time_on);
}

static void homing_finds_the_switch_to_one_microstep(void **state)
{
    (void)state;
    on_both(homing_finds_the_switch_to_one_microstep_on);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_emergency_lets_one_more_pulse_out_at_most),
        cmocka_unit_test(an_end_switch_stops_within_its_sampling_time),
        cmocka_unit_test(homing_finds_the_switch_to_one_microstep),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
