/* Frames of a card to exposures, by time alone. The truth is made here: frames come from exposures by the
 * clock of a camera that the test invents (offset, drift, resolution), some are left out, some are strangers.
 * No published source for the rule; what counts is that nothing is ever paired wrongly. */
#include "tests/support/test.h"

#include "store/pairing.h"

#define MOST 400

struct card {
    struct pairing_shot shots[MOST];
    int64_t frames_us[MOST];
    int32_t truth[MOST]; /* of each shot: its frame, -1: none came */
    int32_t owner[MOST]; /* of each frame: its shot, -1: a stranger */
    int32_t n, m;
};

struct camera_clock {
    double ahead_s, fast_ppm;
    int64_t resolution_us;
};

static uint32_t dice_state;
static double dice(void)
{
    dice_state = dice_state * 1664525u + 1013904223u;
    return (dice_state >> 8) / 16777216.0;
}

static int64_t shows(const struct camera_clock *c, int64_t at_us, int64_t from_us)
{
    const double us = (double)(at_us - from_us) * (1 + c->fast_ppm * 1e-6);
    const int64_t t = from_us + (int64_t)us + (int64_t)(c->ahead_s * 1e6);
    return t - t % c->resolution_us;
}

static void add_shot(struct card *c, int64_t at_us)
{
    c->shots[c->n++] = (struct pairing_shot){at_us, true, -1};
}

/* Frames of the shots but for those in `gone`, then the strangers, in order of time. */
static void develop(struct card *c, const struct camera_clock *clock, const bool *gone,
                    const int64_t *strangers, int32_t stranger_count)
{
    c->m = 0;
    for (int32_t i = 0; i < c->n; i++)
        c->truth[i] = -1;
    for (int32_t i = 0, k = 0; i < c->n || k < stranger_count;) {
        const bool stranger = k < stranger_count && (i == c->n || strangers[k] < c->shots[i].at_us);
        const int64_t at_us = stranger ? strangers[k] : c->shots[i].at_us;
        if (stranger || !gone || !gone[i]) {
            if (!stranger) c->truth[i] = c->m;
            c->owner[c->m] = stranger ? -1 : i;
            c->frames_us[c->m++] = shows(clock, at_us + 60000, c->shots[0].at_us); /* a lag */
        }
        if (stranger)
            k++;
        else
            i++;
    }
}

/* How many shots have another frame than their own. */
static int32_t wrong(const struct card *c, const struct pairing *p)
{
    int32_t n = 0;
    for (int32_t i = 0; i < c->n; i++)
        n += p->frame_of[i] != c->truth[i];
    return n;
}

static int pair(const struct card *c, struct pairing *p)
{
    struct err why = {0};
    return pairing_find(c->shots, c->n, c->frames_us, c->m, p, &why);
}

/* 2.24 s apart as a stack is, the closing frame after a long way back. */
static void a_stack(struct card *c, int32_t slices)
{
    memset(c, 0, sizeof *c);
    for (int32_t i = 0; i < slices; i++)
        add_shot(c, INT64_C(978379200000000) + i * INT64_C(2240000));
    add_shot(c, c->shots[slices - 1].at_us + 9500000);
}

#define ODD_CLOCK                                                                                            \
    {                                                                                                        \
        3723.4, 40, 1000000                                                                                  \
    } /* 1 h 2 min 3.4 s ahead, gains 40 ppm, shows whole seconds */

static void whole_seconds_an_hour_off_and_drifting(void **state)
{
    (void)state;
    struct card c;
    struct pairing p;
    a_stack(&c, 300);
    develop(&c, &(struct camera_clock)ODD_CLOCK, NULL, NULL, 0);
    assert_int_equal(pair(&c, &p), 0);
    assert_int_equal(wrong(&c, &p), 0);
    print_message(
        "measured: clock fitted over 301 frames of whole seconds: %+.3f s from the truth, drift %+.1f ppm of "
        "+40\n",
        (double)p.ahead_us * 1e-6 - 3723.4 - 0.06, p.fast_ppm);
    assert_true(fabs((double)p.ahead_us * 1e-6 - 3723.46) < 0.2);
    assert_int_equal(p.resolution_us, 1000000);
    /* a planted wrong answer is one */
    p.frame_of[7] = 8;
    assert_int_equal(wrong(&c, &p), 1);
    pairing_clear(&p);
}

static void a_frame_that_never_came_is_the_right_one(void **state)
{
    (void)state;
    for (int32_t lost = 0; lost < 21; lost++) {
        struct card c;
        struct pairing p;
        bool gone[MOST] = {false};
        a_stack(&c, 20);
        gone[lost] = true;
        develop(&c, &(struct camera_clock)ODD_CLOCK, gone, NULL, 0);
        const int rc = pair(&c, &p);
        /* 19 frames at even distances and no closing frame: it cannot be told whether the first or the last
         * is missing, but the closing frame tells where the end is */
        if (lost == 20) {
            assert_int_equal(rc, 0); /* 20 of 20 even ones: the one way */
        } else {
            assert_int_equal(rc, 0);
        }
        assert_int_equal(wrong(&c, &p), 0);
        pairing_clear(&p);
    }
}

static void a_test_frame_is_nobodys(void **state)
{
    (void)state;
    struct card c;
    struct pairing p;
    a_stack(&c, 20);
    const int64_t strangers[] = {c.shots[0].at_us - 31000000, c.shots[0].at_us - 1500000,
                                 c.shots[9].at_us + 1120000, c.shots[20].at_us + 5000000};
    develop(&c, &(struct camera_clock)ODD_CLOCK, NULL, strangers, 4);
    assert_int_equal(c.m, 25);
    assert_int_equal(pair(&c, &p), 0);
    assert_int_equal(wrong(&c, &p), 0);
    pairing_clear(&p);
}

/* At even distances, the first or the last and the closing frame gone: nobody can tell which. */
static void even_distances_without_an_end_are_ambiguous_until_one_is_said(void **state)
{
    (void)state;
    struct card c;
    struct pairing p;
    bool gone[MOST] = {false};
    a_stack(&c, 20);
    gone[19] = gone[20] = true;
    develop(&c, &(struct camera_clock)ODD_CLOCK, gone, NULL, 0);
    assert_int_equal(pair(&c, &p), E_STATE);
    pairing_clear(&p);
    c.shots[0].known = 0;
    assert_int_equal(pair(&c, &p), 0);
    assert_int_equal(wrong(&c, &p), 0);
    pairing_clear(&p);
}

static void two_frames_for_one_exposure_are_a_doubt(void **state)
{
    (void)state;
    struct card c;
    struct pairing p;
    a_stack(&c, 20);
    const int64_t stranger = c.shots[9].at_us + 300000;
    develop(&c, &(struct camera_clock)ODD_CLOCK, NULL, &stranger, 1);
    assert_int_equal(pair(&c, &p), E_STATE);
    assert_int_equal(p.doubt_shot, 9);
    pairing_clear(&p);
    /* a clock that shows more tells them apart */
    develop(&c, &(struct camera_clock){3723.4, 40, 10000}, NULL, &stranger, 1);
    assert_int_equal(pair(&c, &p), 0);
    assert_int_equal(wrong(&c, &p), 0);
    pairing_clear(&p);
}

static void another_stacks_card_is_refused(void **state)
{
    (void)state;
    struct card c;
    struct pairing p;
    a_stack(&c, 20);
    develop(&c, &(struct camera_clock)ODD_CLOCK, NULL, NULL, 0);
    for (int32_t j = 0; j < c.m; j++)
        c.frames_us[j] = c.frames_us[0] + j * INT64_C(7000000); /* every 7 s */
    assert_int_equal(pair(&c, &p), E_INPUT);
}

/* Random benches, clocks, losses and strangers. */
static void nothing_is_ever_paired_wrongly(void **state)
{
    (void)state;
    int right = 0, refused = 0, same_votes = 0;
    for (uint32_t seed = 1; seed <= 1500; seed++) {
        struct card c = {.n = 0};
        struct pairing p;
        bool gone[MOST] = {false};
        int64_t strangers[4];
        dice_state = seed * 2654435761u;
        const int32_t n = 5 + (int32_t)(dice() * 60);
        const double every_s = 1.8 + 5 * dice(), jitter_s = dice() < 0.5 ? 0.01 : 0.6;
        int64_t at_us = INT64_C(978379200000000);
        for (int32_t i = 0; i < n; i++) {
            add_shot(&c, at_us);
            at_us += (int64_t)((every_s + jitter_s * dice()) * 1e6);
        }
        add_shot(&c, at_us + 8000000);
        const struct camera_clock clock = {(dice() - 0.5) * 86400, (dice() - 0.5) * 200,
                                           dice() < 0.5 ? 1000000 : 10000};
        const int losses = (int)(dice() * 4), others = (int)(dice() * 4);
        for (int k = 0; k < losses; k++)
            gone[(int)(dice() * n)] = true;
        for (int k = 0; k < others; k++) { /* before it, in order; or anywhere between */
            const int64_t from = k ? strangers[k - 1] : c.shots[0].at_us - 60000000;
            strangers[k] = from + 1500000 + (int64_t)(dice() * 3e7);
        }
        develop(&c, &clock, gone, strangers, others);
        const int rc = pair(&c, &p);
        if (rc) {
            refused++;
            if (rc == E_STATE) pairing_clear(&p);
            continue;
        }
        if (wrong(&c, &p)) {
            /* a stranger that stands exactly where a lost frame should is one, to everybody who has but the
             * times */
            for (int32_t i = 0; i < c.n; i++) {
                const int32_t j = p.frame_of[i];
                const bool stands_in = c.truth[i] < 0 && j >= 0 && c.owner[j] < 0;
                if (j != c.truth[i] && !stands_in)
                    fail_msg("seed %u: shot %d got frame %d, not %d", seed, (int)i, (int)j, (int)c.truth[i]);
            }
            same_votes++;
        }
        right++;
        pairing_clear(&p);
    }
    print_message(
        "measured: 1500 cards with losses and strangers: %d paired right (%d with a stranger standing in for "
        "a lost frame), %d refused, 0 wrong\n",
        right, same_votes, refused);
    assert_true(right > 1200);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(whole_seconds_an_hour_off_and_drifting),
        cmocka_unit_test(a_frame_that_never_came_is_the_right_one),
        cmocka_unit_test(a_test_frame_is_nobodys),
        cmocka_unit_test(even_distances_without_an_end_are_ambiguous_until_one_is_said),
        cmocka_unit_test(two_frames_for_one_exposure_are_a_doubt),
        cmocka_unit_test(another_stacks_card_is_refused),
        cmocka_unit_test(nothing_is_ever_paired_wrongly),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
