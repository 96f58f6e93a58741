/* Ringing, waiting and motion blur against worked textbook examples (named beside) and closed forms
 * recomputed apart from this program. */
#include "tests/support/test.h"

#include "optics/vibration.h"

#define PI 3.14159265358979323846

static void free_ringing_follows_its_equation(void **state)
{
    (void)state;
    static const double rows[][2] = {
        {0.02, 0.336291699}, {0.05, -0.854461279}, {0.1, 0.730092771}, {0.25, -0.455401703}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        assert_near(vibration_free(10, 0.05, 1, 0, rows[i][0]), rows[i][1], 1e-8);
    /* Peer: the equation itself, stepped by Runge and Kutta's fourth order. */
    const double w = 2 * PI * 10, zeta = 0.05, h = 1e-4;
    double x = 0.3, v = -2;
    for (int i = 0; i < 1500; i++) {
        double kx[4], kv[4], sx = x, sv = v;
        for (int k = 0; k < 4; k++) {
            kx[k] = sv;
            kv[k] = -2 * zeta * w * sv - w * w * sx;
            const double step = k == 2 ? h : h / 2;
            sx = x + step * kx[k];
            sv = v + step * kv[k];
        }
        x += h / 6 * (kx[0] + 2 * kx[1] + 2 * kx[2] + kx[3]);
        v += h / 6 * (kv[0] + 2 * kv[1] + 2 * kv[2] + kv[3]);
    }
    assert_near(vibration_free(10, 0.05, 0.3, -2, 0.15), x, 1e-7);
}

static void damping_is_read_from_two_peaks(void **state)
{
    (void)state;
    static const double rows[][4] = {
        /* zeta, delta, cycles to half, cycles to 1 % */
        {.005, .031416319, 22.0633, 146.5853}, {.01, .062834995, 11.0312, 73.2899},
        {.02, .125688846, 5.5148, 36.6394},    {.03, .188580440, 3.6756, 24.4202},
        {.05, .314552702, 2.2036, 14.6404},    {.1, .631483883, 1.0976, 7.2926},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_near(vibration_log_decrement(rows[i][0]), rows[i][1], 1e-9);
        assert_near(vibration_zeta(rows[i][1]), rows[i][0], 1e-9);
        assert_near(vibration_cycles_to(rows[i][0], 0.5), rows[i][2], 1e-4);
        assert_near(vibration_cycles_to(rows[i][0], 0.01), rows[i][3], 1e-4);
    }
}

static void worked_examples_come_out_as_printed(void **state)
{
    (void)state;
    /* A theory-of-machines exercise (sarthaks.com 492092): m 8 kg, k 5400 N/m, c 40 N s/m: zeta 0.096,
     * ratio 1.836. */
    const double zeta = 40 / (2 * sqrt(8 * 5400.0));
    assert_near(zeta, 0.096, 0.005 * 0.096);
    assert_near(exp(vibration_log_decrement(zeta)), 1.8356864, 1e-6);
    /* answersarena pa663: first to second peak 3/2, m 6 kg, k 5400: c = 23.18. */
    const double damping = vibration_zeta(log(1.5));
    assert_near(damping, 0.064397828, 1e-8);
    assert_near(damping * 2 * sqrt(6 * 5400.0), 23.183218, 1e-5);
    /* Rao, Mechanical Vibrations, shock absorber (bartleby copy): amplitude to a quarter in half a cycle, Td
     * 2 s, 200 kg: k 2358.2652, cc 1373.54, c 554.4981; a copy in circulation has c doubled. */
    const double absorber = vibration_zeta(2 * log(4));
    const double wn = 2 * PI / 2 / sqrt(1 - absorber * absorber);
    assert_near(absorber, 0.403713, 1e-6);
    assert_near(200 * wn * wn, 2358.2652, 1e-4 * 2358);
    assert_near(2 * 200 * wn, 1373.54, 1e-4 * 1373);
    assert_near(2 * 200 * wn * absorber, 554.4981, 1e-4 * 554);
    /* tutorsglobe 51418516: delta 0.314, Td 0.2025 s: from 0.1 to 0.01 in takes 7.333 cycles, 1.485 s. */
    const double car = vibration_zeta(0.314);
    assert_near(car, 0.0499124, 1e-7);
    assert_near(vibration_cycles_to(car, 0.1), 7.333074, 1e-5);
    assert_near(vibration_cycles_to(car, 0.1) * 0.2025, 1.484947, 1e-5);
}

static void settling_takes_as_long_as_it_takes(void **state)
{
    (void)state;
    static const double rows[][5] = {
        {10, .02, .02, 3.113089, 3.113248}, {10, .02, .01, 3.664678, 3.664837},
        {12, .02, .01, 3.053898, 3.054031}, {5, .01, .05, 9.535712, 9.535871},
        {25, .03, .02, 0.830157, 0.830253}, {40, .05, .01, 0.366468, 0.366567},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_near(vibration_settle_s(rows[i][0], rows[i][1], rows[i][2]), rows[i][3], 1e-6);
        assert_near(vibration_settle_envelope_s(rows[i][0], rows[i][1], rows[i][2]), rows[i][4], 1e-6);
    }
    /* A fixed two seconds leaves exp(-2 zeta w): 8.1 % at 10 Hz and 0.02, 28.5 % at 5 Hz. */
    assert_near(exp(-2 * 0.02 * 2 * PI * 10), 0.081003, 1e-6);
    assert_near(vibration_settle_s(10, 0.02, 0.081003), 2, 1e-4);
    assert_near(vibration_settle_s(5, 0.02, 0.28461), 2, 1e-4);
    assert_true(isnan(vibration_settle_s(10, 0, 0.5)) && isnan(vibration_settle_s(10, 1, 0.5)));
}

static void a_blur_budget_gives_a_wait(void **state)
{
    (void)state;
    static const double rows[][8] = {
        /* amplitude um, m, pixel um, budget px, Hz, zeta, s, s when the budget is peak to peak */
        {50, 2, 4, .25, 12, .02, 3.053898, 3.513556},
        {100, 1, 4.35, .5, 10, .02, 3.046338, 3.597927},
        {20, 5, 3.34, .25, 30, .03, 0.846261, 0.968836},
        {10, .5, 6, 1, 10, .02, 0, 0.406502},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double *r = rows[i];
        assert_near(vibration_settle_for_blur_s(r[4], r[5], r[0] / 1000, r[1], r[2] / 1000, r[3]), r[6],
                    1e-6);
        assert_near(vibration_settle_for_blur_s(r[4], r[5], r[0] / 1000, r[1], r[2] / 1000, r[3] / 2), r[7],
                    1e-6);
    }
}

/* Hadar, Fisher and Kopeika 1992, Opt. Eng. 31:581 (smear and sine); encyclopedia text on jitter. */
static void motion_takes_contrast(void **state)
{
    (void)state;
    static const double rows[][6] = {
        /* px, sine at Nyquist, sine at half of it, smear, smear, jitter at Nyquist */
        {.1, .975478, .993841, .995893, .998972, .951850},
        {.25, .851632, .961817, .974495, .993587, .734603},
        {.5, .472001, .851632, .900316, .974495, .291213},
        {1, -.304242, .472001, .636620, .900316, .007192},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double *r = rows[i];
        assert_near(vibration_mtf_sine(r[0], 0.5), r[1], 1e-6);
        assert_near(vibration_mtf_sine(r[0], 0.25), r[2], 1e-6);
        assert_near(vibration_mtf_smear(r[0], 0.5), r[3], 1e-6);
        assert_near(vibration_mtf_smear(r[0], 0.25), r[4], 1e-6);
        assert_near(vibration_mtf_jitter(r[0], 0.5), r[5], 1e-6);
    }
    assert_near(vibration_mtf_smear(2, 0.5), 0, 1e-12);
    assert_near(vibration_mtf_sine(.382739875, 1), 0, 1e-8);
    assert_near(vibration_mtf_sine(.101959571, 1), 0.9, 1e-8);
    assert_near(vibration_mtf_smear(.250408999, 1), 0.9, 1e-8);
}

/* Ogata, System Dynamics, 4th ed., eq. 9-14 (as cited by the Strutt help); Harris' handbook, ch. 30. */
static void a_shaking_floor_gets_through(void **state)
{
    (void)state;
    static const double rows[][4] = {{.5, .05, 1.332042148, .332595},
                                     {1, .05, 10.049875621, 10},
                                     {1, .1, 5.099019514, 5},
                                     {2, 0, .333333333, 1.333333}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_near(vibration_transmitted(rows[i][0], rows[i][1]), rows[i][2], 1e-8);
        assert_near(vibration_relative(rows[i][0], rows[i][1]), rows[i][3], 1e-6);
    }
    assert_near(vibration_transmitted(sqrt(2), 0.3), 1, 1e-12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(free_ringing_follows_its_equation),
        cmocka_unit_test(damping_is_read_from_two_peaks),
        cmocka_unit_test(worked_examples_come_out_as_printed),
        cmocka_unit_test(settling_takes_as_long_as_it_takes),
        cmocka_unit_test(a_blur_budget_gives_a_wait),
        cmocka_unit_test(motion_takes_contrast),
        cmocka_unit_test(a_shaking_floor_gets_through),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
