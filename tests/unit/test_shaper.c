/* Moves that leave nothing ringing: the edges that the virtual controller puts out, against superposing one
 * free oscillation per edge. That sum is this file's own; it agrees with the simulated carriage, which
 * integrates.
 *
 * Sources: Singer and Seering 1990, J. Dyn. Sys. Meas. Control 112:76 (ZVD, ZVDD; from memory); table of
 * impulses and V from Kang 2019, IEEE Control Syst. Mag. 39(4):40, and Newman, Hong and Vaughan 2018, ASME
 * JDSMC 140:101005; the free oscillation: Rao, Mechanical Vibrations, ch. 2 (from memory). */
#include "tests/support/test.h"

#include "base/units.h"
#include "config/config.h"
#include "plan/plan.h"
#include "plan/shaper.h"
#include "sim/mechanics.h"
#include "tests/support/rail_rig.h"

#define PI 3.14159265358979323846

/* --- the truth --- */

/* An edge moves the base by `count`: the mass is then behind by it, and the damper has pulled: x0 = -count,
 * v0 = 2 zeta w count. Each lives on as e^(-zeta w t) (x0 cos + (v0 + zeta w x0) / wd sin). Amplitude of the
 * sum at `at_ns`. */
static double left_by_edges(const int64_t *edge_ns, int32_t edges, double count, double hz, double zeta,
                            int64_t at_ns)
{
    double w = 2 * PI * hz, wd = w * sqrt(1 - zeta * zeta), cosine = 0, sine = 0;
    for (int32_t i = 0; i < edges; i++) {
        double t = (double)(at_ns - edge_ns[i]) * 1e-9, e = exp(-zeta * w * t), a = -count,
               b = zeta * w * count / wd;
        cosine += e * (a * cos(wd * t) + b * sin(wd * t));
        sine += e * (b * cos(wd * t) - a * sin(wd * t));
    }
    return hypot(cosine, sine);
}

static void the_sum_over_edges_is_what_the_carriage_does(void **state)
{
    (void)state;
    static const double rings[][2] = {{12, 0.03}, {5, 0.1}, {40, 0.005}, {7.3, 0.3}};
    double worst = 0;
    srand(11);
    for (int k = 0; k < 4; k++) {
        int64_t at[300], now = 1000000;
        struct mechanics *m = mechanics_new(
            &(struct mechanics_spec){
                .nm_per_edge = 1250, .lead_nm = 4e6, .ring_hz = rings[k][0], .ring_zeta = rings[k][1]},
            NULL);
        for (int i = 0; i < 300; i++) {
            now += 50000 + rand() % 3000000;
            at[i] = now;
            mechanics_edge(m, now, 1);
        }
        for (int i = 0; i < 20; i++, now += 7654321) {
            double sum = left_by_edges(at, 300, 1250, rings[k][0], rings[k][1], now);
            double difference = fabs(sum - mechanics_ringing_nm(m, now)) / sum;
            worst = fmax(worst, difference);
            assert_true(difference < 1e-6);
        }
        mechanics_free(m);
    }
    printf("measured: shapes: one oscillation per edge, against the carriage: %.1e apart (bound 1e-6)\n",
           worst);
}

/* --- impulses --- */

static void the_impulses_are_those_of_the_published_table(void **state)
{
    (void)state;
    static const struct {
        double zeta, amps[3];
    } rows[] = {{0, {0.25, 0.5, 0.25}},
                {0.02, {0.265952613, 0.499506647, 0.234540739}},
                {0.05, {0.290777878, 0.496920721, 0.212301401}},
                {0.1, {0.334414908, 0.487742548, 0.177842545}}};
    double a[4];
    for (int k = 0; k < 4; k++) {
        assert_int_equal(shaper_impulses(SHAPER_ZVD, rows[k].zeta, a), 3);
        for (int i = 0; i < 3; i++)
            assert_near(a[i], rows[k].amps[i], 1e-9);
    }
    assert_int_equal(shaper_impulses(SHAPER_ZVDD, 0, a), 4); /* 1 3 3 1 over 8 */
    for (int i = 0; i < 4; i++)
        assert_near(a[i], i % 3 ? 0.375 : 0.125, 1e-12);
}

/* V at q times the frequency: table for ZVD; for ZVDD without damping |cos(pi q / 2)|^3. */
static double left_by_impulses(enum plan_shaper kind, double zeta, double q)
{
    double a[4], c = 0, s = 0, half_s = 0.5 / sqrt(1 - zeta * zeta), w = 2 * PI * q,
                 wd = w * sqrt(1 - zeta * zeta);
    const int n = shaper_impulses(kind, zeta, a);
    for (int i = 0; i < n; i++) {
        c += a[i] * exp(zeta * w * half_s * i) * cos(wd * half_s * i);
        s += a[i] * exp(zeta * w * half_s * i) * sin(wd * half_s * i);
    }
    return exp(-zeta * w * half_s * (n - 1)) * hypot(c, s);
}

static void what_the_impulses_leave_is_as_published(void **state)
{
    (void)state;
    assert_near(left_by_impulses(SHAPER_ZVD, 0, 0.9), 0.024472, 1e-6);
    assert_near(left_by_impulses(SHAPER_ZVD, 0, 1.1), 0.024472, 1e-6);
    assert_near(left_by_impulses(SHAPER_ZVD, 0, 0.8), 0.095492, 1e-6);
    assert_near(left_by_impulses(SHAPER_ZVD, 0.05, 0.9), 0.021164, 1e-6);
    assert_near(left_by_impulses(SHAPER_ZVD, 0.05, 1.1), 0.020509, 1e-6);
    assert_near(left_by_impulses(SHAPER_ZVD, 0.05, 1), 0, 1e-12);
    assert_near(left_by_impulses(SHAPER_ZVDD, 0, 0.9), pow(cos(PI * 0.45), 3), 1e-9);
}

/* --- moves of the virtual controller --- */

struct bench_case {
    double hz, zeta;
    int64_t counts;
};

static struct timeline_motion motion_of(const struct bench_case *c, const char *more)
{
    char text[600];
    struct bench b;
    struct err why = {0};
    snprintf(text, sizeof text,
             "camera: {width_px: 1800, height_px: 1200, sensor_width_mm: 24}\n"
             "axis: {lead_mm: 4, steps_per_rev: 200, microsteps: 16, speed_mm_per_s: 4, ring_hz: %g, "
             "ring_zeta: %g%s}\n"
             "lens: {f_number: 2.8}\n",
             c->hz, c->zeta, more);
    if (bench_parse(text, "b.yaml", &b, &why)) fail_msg("%s", why.text);
    return timeline_motion(&b);
}

static struct rig *homed_rig(const struct timeline_motion *m)
{
    struct rig *g = rig_open(&(struct rig_opts){.axis = {.speed_counts_per_s = m->speed_counts_per_s,
                                                         .accel_counts_per_s2 = m->accel_counts_per_s2,
                                                         .smooth_ms = m->smooth_ms}});
    assert_true(rig_until(g, AXIS_REST, 1000000));
    assert_int_equal(axis_home(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 60000000));
    return g;
}

static void go(struct rig *g, const struct plan_slot *slots, int count, int64_t counts)
{
    struct axis_slot list[AXIS_SLOTS_MOST];
    struct err why = {0};
    for (int i = 0; i < count; i++)
        list[i] = (struct axis_slot){slots[i].us, slots[i].share};
    if (count && axis_shape(g->axis, list, count, &why)) fail_msg("%s", why.text);
    rig_run_us(g, 500000);
    int64_t target = rig_state(g).position_counts + counts;
    rig_forget_edges(g);
    int rc = count ? axis_move_shaped(g->axis, target, &why) : axis_move_to(g->axis, target, &why);
    if (rc) fail_msg("%s", why.text);
    assert_true(rig_until(g, AXIS_REST, 10000000));
    if (rig_state(g).position_counts != target) fail_msg("%s", rig_state(g).why.text);
    assert_int_equal(g->edges, counts);
}

/* What is left at the last edge, in um, when the true frequency is q times the one assumed. */
static double left_um(const struct rig *g, const struct bench_case *c, double q)
{
    return left_by_edges(g->edge_ns, g->edges, 1.25, c->hz * q, c->zeta, g->edge_ns[g->edges - 1]);
}

static double took_ms(const struct rig *g)
{
    return (double)(g->edge_ns[g->edges - 1] - g->edge_ns[0]) * 1e-6;
}

static const double OFF[3] = {1, 0.9, 1.1};

/* Residual at 0 and +-10 %, and the time to less than 0.5 um with the worst of them. */
static double report(const struct rig *g, const struct bench_case *c, const char *how)
{
    double left[3], worst = 0, still_ms = took_ms(g);
    for (int i = 0; i < 3; i++) {
        left[i] = left_um(g, c, OFF[i]);
        worst = fmax(worst, left[i]);
        double wait_ms = left[i] > 0.5 ? 1000 * log(left[i] / 0.5) / (c->zeta * 2 * PI * c->hz * OFF[i]) : 0;
        still_ms = fmax(still_ms, took_ms(g) + wait_ms);
    }
    printf("measured: shapes: %2.0f Hz, %3d steps of 1.25 um: %-22s %6.2f %6.2f %6.2f um left at 0, -10, +10 "
           "%%, %4.0f "
           "ms long, still after %4.0f ms\n",
           c->hz, (int)c->counts, how, left[0], left[1], left[2], took_ms(g), still_ms);
    return worst;
}

static void moves_end_still_where_bursts_and_ramps_ring(void **state)
{
    (void)state;
    static const struct bench_case cases[] = {
        {12, 0.03, 80}, {12, 0.03, 10}, {12, 0.03, 400}, {5, 0.03, 80},  {5, 0.03, 10},  {5, 0.03, 400},
        {20, 0.03, 80}, {20, 0.03, 10}, {20, 0.03, 400}, {40, 0.03, 80}, {40, 0.03, 10}, {40, 0.03, 400}};
    for (size_t k = 0; k < sizeof cases / sizeof *cases; k++) {
        const struct bench_case *c = &cases[k];
        const struct timeline_motion m = motion_of(c, "");
        struct plan_shape s;
        char how[40];
        shaper_find(&m, &m.ring, SHAPER_BUDGET_NM, c->counts, &s);
        struct rig *g = homed_rig(&m);
        assert_int_not_equal(s.kind, SHAPER_NONE);
        go(g, s.slots, s.slot_count, c->counts);
        snprintf(how, sizeof how, "%s, box of %.1f", s.kind == SHAPER_ZVD ? "ZVD" : "ZVDD",
                 s.box_halves / 2.0);
        double worst = report(g, c, how);
        if (s.why == SHAPE_STILL)
            assert_true(worst < 0.5);
        else /* what is left after the wait */
            assert_true(worst * exp(-c->zeta * 2 * PI * 0.9 * c->hz * (double)s.wait_us * 1e-6) < 0.5);
        if (k == 0) { /* the move that the whole bench is designed for */
            assert_int_equal(s.why, SHAPE_STILL);
            assert_true(took_ms(g) < 2000 / 12.0);
        }
        const struct plan_slot burst = {c->counts * 1000, 65536}; /* 1 kHz */
        go(g, &burst, 1, c->counts);
        report(g, c, "burst at 1 kHz");
        go(g, NULL, 0, c->counts);
        double ramp = report(g, c, "ramp");
        if (k == 0) assert_true(ramp > 0.5); /* so the bound does tell something */
        rig_close(g);
    }
}

/* Everything between the frequencies of the table, too; and it is the controller's edges that are predicted.
 */
static void what_is_predicted_is_what_the_edges_leave(void **state)
{
    (void)state;
    static const struct bench_case cases[] = {{12, 0.03, 80}, {9, 0.01, 37}, {31, 0.08, 240}, {6, 0.02, 3}};
    double apart = 0;
    for (size_t k = 0; k < sizeof cases / sizeof *cases; k++) {
        const struct bench_case *c = &cases[k];
        const struct timeline_motion m = motion_of(c, "");
        struct plan_shape s;
        shaper_find(&m, &m.ring, SHAPER_BUDGET_NM, c->counts, &s);
        struct rig *g = homed_rig(&m);
        go(g, s.slots, s.slot_count, c->counts);
        double worst = 0;
        for (double q = 0.9; q <= 1.1001; q += 0.01) {
            double edges = left_um(g, c, q);
            double said =
                residual_of_slots(s.slots, s.slot_count, c->counts, 1250, c->hz * q, c->zeta) * 1e-3;
            apart = fmax(apart, fabs(edges - said));
            worst = fmax(worst, edges);
        }
        assert_true(worst < 1.02e-3 * (double)s.residual_nm + 0.002);
        assert_true((double)s.length_us * 1e-3 >= took_ms(g));
        rig_close(g);
    }
    printf("measured: shapes: predicted and put out: %.4f um apart at most (bound 0.003)\n", apart);
    assert_true(apart < 0.003);
}

static void a_wrong_frequency_is_seen_by_this_test(void **state)
{
    (void)state;
    const struct bench_case c = {12, 0.03, 80};
    const struct timeline_motion m = motion_of(&c, "");
    struct plan_shape s;
    shaper_find(&m, &m.ring, SHAPER_BUDGET_NM, c.counts, &s);
    struct rig *g = homed_rig(&m);
    go(g, s.slots, s.slot_count, c.counts);
    double left = left_um(g, &c, 8 / 12.0); /* 12 Hz assumed, 8 Hz true */
    printf("measured: shapes: 12 Hz assumed and 8 Hz true leave %.1f um\n", left);
    assert_true(left > 5);
    rig_close(g);
}

/* --- choosing --- */

static double rate_of(const struct plan_slot *s, int64_t counts)
{
    return (double)s->share / 65536 * (double)counts / ((double)s->us * 1e-6);
}

static struct plan_shape found(const struct bench_case *c, const char *more)
{
    const struct timeline_motion m = motion_of(c, more);
    struct plan_shape s;
    shaper_find(&m, &m.ring, SHAPER_BUDGET_NM, c->counts, &s);
    int64_t share = 0;
    for (int i = 0; i < s.slot_count; i++)
        share += s.slots[i].share;
    if (s.kind != SHAPER_NONE) assert_int_equal(share, 65536);
    assert_true(s.slot_count <= 8);
    return s;
}

/* Every slot is slower than the motor's start speed: a slower motor gets a longer box, and in the end the
 * ramp. */
static void the_motor_is_never_started_too_fast(void **state)
{
    (void)state;
    static const struct {
        const char *more;
        double most;
    } rows[] = {{"", 6400},
                {", start_mm_per_s: 2", 1600},
                {", start_mm_per_s: 1", 800},
                {", start_mm_per_s: 0.5", 400}};
    const struct bench_case c = {20, 0.03, 80};
    int64_t length_us = 0;
    for (size_t i = 0; i < 4; i++) {
        const struct plan_shape s = found(&c, rows[i].more);
        assert_int_not_equal(s.kind, SHAPER_NONE);
        for (int k = 0; k < s.slot_count; k++)
            assert_true(rate_of(&s.slots[k], c.counts) < rows[i].most);
        for (int k = 0; k < s.slot_count; k++)
            assert_true(rate_of(&s.slots[k], s.most_counts) < rows[i].most);
        assert_true(s.length_us >= length_us);
        length_us = s.length_us;
    }
    const struct plan_shape none = found(&c, ", start_mm_per_s: 0.05");
    assert_int_equal(none.kind, SHAPER_NONE);
    assert_int_equal(none.why, SHAPE_TOO_FAST);
    assert_true(none.wait_us > 0);
}

/* 80 steps at 12 Hz go at 240 and 720 steps/s without a band, that is 0.30 and 0.9 mm/s. */
static void speeds_at_which_the_motor_resonates_are_left_out(void **state)
{
    (void)state;
    const struct bench_case c = {12, 0.03, 80};
    const struct plan_shape free_to = found(&c, ""), s = found(&c, ", avoid_mm_per_s: '0.7-1.2, 3.5-5'");
    bool inside = false;
    for (int k = 0; k < free_to.slot_count; k++)
        inside = inside || (rate_of(&free_to.slots[k], 80) > 560 && rate_of(&free_to.slots[k], 80) < 960);
    assert_true(inside);
    assert_int_not_equal(s.kind, SHAPER_NONE);
    assert_int_equal(s.why, SHAPE_STILL);
    for (int k = 0; k < s.slot_count; k++)
        assert_true(rate_of(&s.slots[k], 80) < 560 || rate_of(&s.slots[k], 80) > 960);
    /* A long move cruises below the band that its speed of 4 mm/s lies in, and goes through the other at the
     * ramp. */
    const struct timeline_motion m = motion_of(&c, ", avoid_mm_per_s: '0.7-1.2, 3.5-5'");
    assert_true(m.speed_counts_per_s < 2800 && m.speed_counts_per_s >= 2798);
    assert_true((960.0 - 560.0) / (double)m.accel_counts_per_s2 < 0.05);
}

/* The wait is ln(left / budget) / (zeta w) at the slowest decay (settling time of any handbook of vibration;
 * Rao, ch. 2, from memory). */
static void what_still_rings_is_waited_for(void **state)
{
    (void)state;
    const struct bench_case c = {12, 0.03, 80};
    const struct plan_shape s = found(&c, ", ring_uncertainty: 0.4");
    assert_int_equal(s.why, SHAPE_RINGS_ON);
    assert_true(s.residual_nm > 500);
    double fastest_s = log((double)s.residual_nm / 500) / (1.4 * 0.03 * 2 * PI * 1.4 * 12);
    double slowest_s = log((double)s.residual_nm / 500) / (0.6 * 0.03 * 2 * PI * 0.6 * 12);
    assert_true((double)s.wait_us * 1e-6 >= fastest_s - 1e-3 && (double)s.wait_us * 1e-6 <= slowest_s + 1e-3);
}

/* What a ramp leaves is less than what is said of it, and not by much: the edges of the controller's own
 * ramps. */
static void what_a_ramp_leaves_is_not_more_than_said(void **state)
{
    (void)state;
    const struct bench_case c = {12, 0.03, 80};
    const struct timeline_motion m = motion_of(&c, "");
    const struct residual_move move = {m.ring, 1250, SHAPER_BUDGET_NM};
    struct rig *g = homed_rig(&m);
    static const int64_t ways[] = {5, 20, 80, 150, 300, 500, 1000, 1777, 4000};
    const struct residual_ramp ramp = {(double)m.speed_counts_per_s, (double)m.accel_counts_per_s2,
                                       (double)m.smooth_ms / 1000};
    double closest = 0;
    for (size_t i = 0; i < sizeof ways / sizeof *ways; i++) {
        const struct residual one = residual_worst_of_ramp(&move, &ramp, ways[i]),
                              any = residual_worst_of_ramp(&move, &ramp, 0);
        go(g, NULL, 0, ways[i]);
        for (int k = 0; k < 3; k++) {
            double left = left_um(g, &c, OFF[k]) * 1000;
            assert_true(left <= one.nm && left <= any.nm);
            closest = fmax(closest, left / one.nm);
        }
    }
    printf("measured: shapes: ramps leave at most %.2f of what is said of them\n", closest);
    assert_true(closest > 0.5);
    rig_close(g);
}

static void nobody_knows_the_ring_and_all_is_as_ever(void **state)
{
    (void)state;
    struct timeline_motion m = motion_of(&(struct bench_case){12, 0.03, 80}, "");
    struct plan_shape s;
    m.ring = (struct plan_ring){0};
    shaper_find(&m, &m.ring, SHAPER_BUDGET_NM, 80, &s);
    assert_int_equal(s.kind, SHAPER_NONE);
    assert_int_equal(s.why, SHAPE_NO_RING);
    assert_int_equal(s.wait_us, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_sum_over_edges_is_what_the_carriage_does),
        cmocka_unit_test(the_impulses_are_those_of_the_published_table),
        cmocka_unit_test(what_the_impulses_leave_is_as_published),
        cmocka_unit_test(moves_end_still_where_bursts_and_ramps_ring),
        cmocka_unit_test(what_is_predicted_is_what_the_edges_leave),
        cmocka_unit_test(a_wrong_frequency_is_seen_by_this_test),
        cmocka_unit_test(the_motor_is_never_started_too_fast),
        cmocka_unit_test(speeds_at_which_the_motor_resonates_are_left_out),
        cmocka_unit_test(what_still_rings_is_waited_for),
        cmocka_unit_test(what_a_ramp_leaves_is_not_more_than_said),
        cmocka_unit_test(nobody_knows_the_ring_and_all_is_as_ever),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
