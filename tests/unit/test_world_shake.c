/* The world's rail and what stands on it, against handbook vibration: closed forms and worked examples,
 * recomputed here apart from src/sim. */
#include "tests/support/test.h"

#include "tests/support/bench_scene.h"

#define PI 3.14159265358979323846

/* Nothing moves by itself; a rigid screw; edges of 0.625 um. */
static struct bench_scene shaky_bench(double ring_hz, double ring_zeta)
{
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 48, 32, 500);
    b.quiet = false;
    b.scene.ring_hz = ring_hz;
    b.scene.ring_zeta = ring_zeta;
    b.scene.sway_um = b.scene.hum_um = -1;
    bench_scene_open(&b);
    world_place(b.world, 0);
    return b;
}

/* Plane of focus against the carriage, by an exposure as short as can be. */
static double offset_nm(struct bench_scene *b, int64_t at_us, double carriage_nm)
{
    struct shot s = {0};
    world_expose(b->world, at_us, at_us + 1, false, &s);
    return s.focus_nm[0] - carriage_nm;
}

static void one_edge_rings_as_the_handbook_says(void **state)
{
    (void)state;
    const double w = 2 * PI * 10, zeta = 0.05, wd = w * sqrt(1 - zeta * zeta);
    struct bench_scene b = shaky_bench(10, zeta);
    world_step(b.world, 1000000000, 1);
    /* A base that jumps by D at 0 moves the mass as D (1 - e^-zwt (cos wd t - z/sqrt(1-z^2) sin wd t)): the
     * response of a second-order system with a zero to a step (Ogata, System Dynamics, from memory). */
    for (int i = 0; i < 200; i++) {
        int64_t at_us = 1000000 + i * 7919;
        double t = i * 7919e-6 + 7e-9;
        double mass =
            625 * (1 - exp(-zeta * w * t) * (cos(wd * t) - zeta / sqrt(1 - zeta * zeta) * sin(wd * t)));
        assert_near(offset_nm(&b, at_us, 625), mass - 625, 0.01);
    }
    bench_scene_close(&b);
}

/* Log decrement: Cal Poly Humboldt, LibreTexts; zeta .03 -> ratio 1.207534, .05 -> 1.369647, .1 -> 1.880399 a
 * cycle. */
static void ringing_loses_its_share_each_cycle(void **state)
{
    (void)state;
    static const double rows[][2] = {{0.03, 1.207534}, {0.05, 1.369647}, {0.1, 1.880399}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct bench_scene b = shaky_bench(12, rows[i][0]);
        world_step(b.world, 0, 1);
        int64_t cycle_us = llround(1e6 / (12 * sqrt(1 - rows[i][0] * rows[i][0])));
        double before = world_shake_nm(b.world, 100000), after = world_shake_nm(b.world, 100000 + cycle_us);
        assert_near(before / after, rows[i][1], 2e-5);
        bench_scene_close(&b);
    }
}

/* A settling exercise (tutorsglobe 51418516): W = 4000 lb, k = 10000 lb/in, zeta 0.0499124, wn 31.066797
 * rad/s; from 0.1 in to 0.01 in takes 1.484947 s. */
static void a_published_exercise_settles_in_its_time(void **state)
{
    (void)state;
    struct bench_scene b = shaky_bench(31.066797 / (2 * PI), 0.0499124);
    world_step(b.world, 0, 1);
    assert_near(world_shake_nm(b.world, 1484947) / world_shake_nm(b.world, 0), 0.1, 1e-5);
    bench_scene_close(&b);
}

/* Relative motion of a mass on a swinging base, Z/Y = r^2 / sqrt((1-r^2)^2 + (2 zeta r)^2): Ogata, System
 * Dynamics 4e, eq. 9-14; Harris, Shock and Vibration Handbook, ch. 30. The base swings by edges, as a rail
 * would. */
static void a_swinging_base_moves_the_mass_as_published(void **state)
{
    (void)state;
    static const double rows[][3] = {{0.5, 0.05, 0.332595}, {1, 0.05, 10}, {1, 0.1, 5}, {2, 0.1, 1.321637}};
    const double natural_hz = 10, swing_nm = 20000;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct bench_scene b = shaky_bench(natural_hz, rows[i][1]);
        double hz = rows[i][0] * natural_hz, most = 0;
        int64_t counts = 0, end_us = 4000000;
        for (int64_t at_us = 0; at_us < end_us; at_us += 20) {
            int64_t want = llround(swing_nm * sin(2 * PI * hz * (double)at_us * 1e-6) / 625);
            while (counts != want) {
                int dir = want > counts ? 1 : -1;
                world_step(b.world, at_us * 1000, dir);
                counts += dir;
            }
            if (at_us > end_us - 300000 && at_us % 200 == 0)
                most = fmax(most, fabs(offset_nm(&b, at_us, (double)counts * 625)));
        }
        int64_t missed;
        world_step_count(b.world, NULL, &missed);
        assert_int_equal(missed, 0);
        assert_near(most / swing_nm, rows[i][2], 0.02 * rows[i][2] + 0.01);
        bench_scene_close(&b);
    }
}

/* Pixels of 13.3 um, magnification 4, a slice of 45.6 um at 0.625 mm/s: about 1 px sideways at once, a tenth
 * after 1 s. */
static void a_slice_move_shows_at_once_and_hardly_after_a_second(void **state)
{
    (void)state;
    struct bench_scene b = shaky_bench(0, 0);
    int64_t at_ns = 0;
    for (int i = 0; i < 73; i++, at_ns += 1000000)
        world_step(b.world, at_ns, 1);
    double sideways_px = 0.5 * world_shake_nm(b.world, at_ns / 1000) / (13333.0 / 4);
    double later_px = 0.5 * world_shake_nm(b.world, at_ns / 1000 + 1000000) / (13333.0 / 4);
    printf("measured: sideways %.2f px at the end of a slice move, %.3f px one second later\n", sideways_px,
           later_px);
    assert_true(sideways_px > 0.4 && sideways_px < 2);
    assert_near(later_px / sideways_px, exp(-0.03 * 2 * PI * 12), 1e-3);
    bench_scene_close(&b);
}

static void a_quiet_bench_never_shakes(void **state)
{
    (void)state;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 48, 32, 500);
    bench_scene_open(&b);
    for (int i = 0; i < 100; i++)
        world_step(b.world, i * 1000000, 1);
    struct shot s = {0};
    world_expose(b.world, 100000, 350000, false, &s);
    assert_true(world_shake_nm(b.world, 100000) <= 0);
    for (int i = 0; i < s.samples; i++) {
        assert_near(s.focus_nm[i], 62500, 1e-6);
        assert_near(s.x_um[i], 0, 1e-9);
    }
    bench_scene_close(&b);
}

static void play_in_the_nut_is_lost_on_every_turn_back(void **state)
{
    (void)state;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 48, 32, 500);
    b.scene.backlash_um = 5;
    bench_scene_open(&b);
    world_place(b.world, 0);
    for (int i = 0; i < 100; i++)
        world_step(b.world, (int64_t)i * 1000000, 1);
    assert_near(world_carriage_nm(b.world), 62500, 1e-6);
    for (int i = 100; i < 200; i++)
        world_step(b.world, (int64_t)i * 1000000, -1);
    assert_near(world_carriage_nm(b.world), 5000, 1e-6);
    for (int i = 200; i < 208; i++)
        world_step(b.world, (int64_t)i * 1000000, 1);
    assert_near(world_carriage_nm(b.world), 5000, 1e-6); /* 8 edges of 0.625 um: just taken up */
    world_step(b.world, 208000000, 1);
    assert_near(world_carriage_nm(b.world), 5625, 1e-6);
    bench_scene_close(&b);
}

static void the_screw_errs_once_a_turn_and_comes_back(void **state)
{
    (void)state;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 48, 32, 500);
    b.scene.screw_error_um = 2;
    bench_scene_open(&b);
    world_place(b.world, 0);
    double start = world_carriage_nm(b.world), most = -1e9, least = 1e9;
    for (int i = 1; i <= 3200; i++) {
        world_step(b.world, (int64_t)i * 1000000, 1);
        double error = world_carriage_nm(b.world) - start - i * 625.0;
        most = fmax(most, error);
        least = fmin(least, error);
    }
    assert_near(start, 0, 10);
    assert_near(world_carriage_nm(b.world) - start, 2000000, 1e-3);
    assert_true(most - least > 3000 && most - least < 6000);
    bench_scene_close(&b);
}

/* Common practice, no source: a small motor follows a few hundred full steps a second from rest, more when
 * led up. */
static void edges_too_fast_from_rest_are_lost(void **state)
{
    (void)state;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 48, 32, 500);
    int64_t net, missed, at_ns = 0;
    bench_scene_open(&b);
    for (int i = 0; i < 1000; i++, at_ns += 200000) /* 5 kHz */
        world_step(b.world, at_ns, 1);
    assert_int_equal(world_step_count(b.world, &net, &missed), 1000);
    assert_int_equal(missed, 0);
    at_ns += 500000000;
    for (double rate = 8000; rate < 36000; rate += 400000 / rate) { /* led up at 400 kHz a second */
        world_step(b.world, at_ns, 1);
        at_ns += llround(1e9 / rate);
    }
    world_step_count(b.world, &net, &missed);
    assert_int_equal(missed, 0);
    at_ns += 500000000;
    double before = world_carriage_nm(b.world);
    for (int i = 0; i < 1000; i++, at_ns += 25000) /* 40 kHz at once */
        world_step(b.world, at_ns, 1);
    world_step_count(b.world, &net, &missed);
    assert_true(missed > 0);
    assert_near(world_carriage_nm(b.world) - before, (1000.0 - (double)missed) * 625, 1e-6);
    bench_scene_close(&b);
}

static void switches_tell_the_true_carriage(void **state)
{
    (void)state;
    bool near_pressed, far_pressed;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 48, 32, 500);
    bench_scene_open(&b);
    world_set_travel(b.world, -1000, 1000);
    world_place(b.world, 0);
    world_switches(b.world, &near_pressed, &far_pressed);
    assert_false(near_pressed || far_pressed);
    world_step(b.world, 0, 1);
    world_step(b.world, 1000000, 1);
    world_switches(b.world, &near_pressed, &far_pressed);
    assert_true(far_pressed && !near_pressed);
    for (int i = 2; i < 8; i++)
        world_step(b.world, i * 1000000, -1);
    world_switches(b.world, &near_pressed, &far_pressed);
    assert_true(near_pressed && !far_pressed);
    bench_scene_close(&b);
}

/* An exposure that began before the move ended sees where the plane of focus was then. */
static void an_exposure_sees_the_move_it_overlapped(void **state)
{
    (void)state;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 48, 32, 500);
    struct shot s = {0};
    bench_scene_open(&b);
    world_place(b.world, 0);
    for (int i = 0; i < 100; i++)
        world_step(b.world, (int64_t)i * 1000000, 1);
    world_expose(b.world, 0, 200000, false, &s);
    assert_int_equal(s.samples, SHOT_SAMPLES);
    for (int i = 0; i < s.samples; i++) {
        double at_ms = 200 * (i + 0.5) / s.samples;
        assert_near(s.focus_nm[i], at_ms < 99 ? 625 * (floor(at_ms) + 1) : 62500, 0.5);
    }
    bench_scene_close(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_edge_rings_as_the_handbook_says),
        cmocka_unit_test(ringing_loses_its_share_each_cycle),
        cmocka_unit_test(a_published_exercise_settles_in_its_time),
        cmocka_unit_test(a_swinging_base_moves_the_mass_as_published),
        cmocka_unit_test(a_slice_move_shows_at_once_and_hardly_after_a_second),
        cmocka_unit_test(a_quiet_bench_never_shakes),
        cmocka_unit_test(play_in_the_nut_is_lost_on_every_turn_back),
        cmocka_unit_test(the_screw_errs_once_a_turn_and_comes_back),
        cmocka_unit_test(edges_too_fast_from_rest_are_lost),
        cmocka_unit_test(switches_tell_the_true_carriage),
        cmocka_unit_test(an_exposure_sees_the_move_it_overlapped),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
