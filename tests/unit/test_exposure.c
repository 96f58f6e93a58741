/* APEX, nominal thirds and flicker. Sources: Kerr 2007, APEX - the Additive System of Photographic Exposure;
 * scantips.com, fstop2.html (cameras set exact powers of two behind nominal marks); flicker derived, lamps at
 * twice the mains frequency: photo-spectrum.info. */
#include "tests/support/test.h"

#include "optics/exposure.h"

static void apex_values_are_powers_of_two(void **state)
{
    (void)state;
    static const double sv[][2] = {{3.125, 0}, {100, 5}, {200, 6}, {400, 7}};
    for (size_t i = 0; i < sizeof sv / sizeof *sv; i++)
        assert_true(exposure_sv(sv[i][0]) == sv[i][1]);
    assert_near(exposure_ev(8, 1 / 128.0), 13, 1e-12);
    assert_near(exposure_ev(8, 1 / 125.0), 12.965784, 1e-6);
    assert_near(exposure_ev(11, 1 / 60.0), 12.825754, 1e-6);
    assert_near(exposure_ev(16, 1 / 128.0), 15, 1e-12);
    assert_true(exposure_ev(1, 1) == 0);
    assert_near(exposure_av(2.8), 2.970854, 1e-6); /* f/2.8 as marked */
    assert_true(isnan(exposure_av(0)) && isnan(exposure_tv(-1)) && isnan(exposure_sv(0)));
}

static void every_marked_time_is_its_own_third(void **state)
{
    (void)state;
    static const double marked[] = {
        30,        25,        20,        15,        13,        10,        8,         6,
        5,         4,         3.2,       2.5,       2,         1.6,       1.3,       1,
        0.8,       0.6,       0.5,       0.4,       0.3,       1 / 4.,    1 / 5.,    1 / 6.,
        1 / 8.,    1 / 10.,   1 / 13.,   1 / 15.,   1 / 20.,   1 / 25.,   1 / 30.,   1 / 40.,
        1 / 50.,   1 / 60.,   1 / 80.,   1 / 100.,  1 / 125.,  1 / 160.,  1 / 200.,  1 / 250.,
        1 / 320.,  1 / 400.,  1 / 500.,  1 / 640.,  1 / 800.,  1e-3,      1 / 1250., 1 / 1600.,
        1 / 2000., 1 / 2500., 1 / 3200., 1 / 4000., 1 / 5000., 1 / 6400., 1 / 8000.};
    double worst = 0;
    for (int i = 0; i < 55; i++) {
        assert_int_equal(exposure_time_third(marked[i]), 15 - i);
        worst = fmax(worst, fabs(log2(exposure_time_of_third(15 - i) / marked[i])));
    }
    assert_near(worst, 0.0931, 1e-4);
    assert_near(1 / exposure_time_of_third(exposure_time_third(1 / 60.)), 64, 1e-9);
    assert_near(1 / exposure_time_of_third(exposure_time_third(1 / 50.)), 50.7968, 1e-4);
    assert_near(exposure_time_of_third(exposure_time_third(0.3)), 0.314980, 1e-6);
}

static void every_marked_aperture_and_speed_is_its_own_third(void **state)
{
    (void)state;
    static const double n[] = {1,   1.1, 1.2, 1.4, 1.6, 1.8, 2,  2.2, 2.5, 2.8, 3.2, 3.5, 4,
                               4.5, 5,   5.6, 6.3, 7.1, 8,   9,  10,  11,  13,  14,  16,  18,
                               20,  22,  25,  29,  32,  36,  40, 45,  51,  57,  64};
    double worst = 0;
    for (int i = 0; i < 37; i++) {
        assert_int_equal(exposure_f_number_third(n[i]), i);
        assert_true(exposure_f_number_mark(i) == n[i]);
        worst = fmax(worst, fabs(2 * log2(exposure_f_number_of_third(i) / n[i])));
    }
    assert_near(worst, 0.1406, 1e-4);
    static const double iso[] = {100,  125,  160,  200,  250,  320,  400,  500,  640, 800,
                                 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400};
    for (int i = 0; i < 19; i++) {
        assert_int_equal(exposure_iso_third(iso[i]), i);
        assert_true(fabs(log2(exposure_iso_of_third(i) / iso[i])) <= 0.02282);
    }
    assert_int_equal(exposure_iso_third(50), -3);
}

/* f/5.6 at 1/60 is f/11 at 1/15: by thirds, not by the marked numbers (which would give 1/15.55). */
static void equal_exposures_are_found_by_thirds(void **state)
{
    (void)state;
    const int wider = exposure_f_number_third(11) - exposure_f_number_third(5.6);
    assert_int_equal(exposure_time_third(1 / 60.) + wider, exposure_time_third(1 / 15.));
}

static void a_lamp_on_the_mains_ripples(void **state)
{
    (void)state;
    static const double rows[][4] = {
        /* lamp Hz, seconds, |sinc|, stops at 30 % modulation */
        {100, 1 / 100., 0, 0},
        {100, 1 / 50., 0, 0},
        {100, 0.1, 0, 0},
        {100, 1 / 125., .233872, .20278},
        {100, 1 / 60., .165399, .14329},
        {100, 1 / 30., .082699, .07160},
        {100, 1 / 250., .756827, .66674},
        {120, 1 / 120., 0, 0},
        {120, 1 / 60., 0, 0},
        {120, 1 / 100., .155915, .13506},
        {120, 1 / 50., .126138, .10924},
        {120, 1 / 250., .661837, .58061},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_near(exposure_ripple(rows[i][0], 1, rows[i][1]), rows[i][2], 1e-6);
        assert_near(exposure_ripple_stops(rows[i][0], 0.3, rows[i][1]), rows[i][3], 1e-5);
    }
    /* A marked 1/60 is 1/64, so a 120 Hz lamp is not cancelled. */
    assert_near(exposure_ripple(120, 1, exposure_time_of_third(exposure_time_third(1 / 60.))), 0.064966,
                1e-6);
    assert_true(isnan(exposure_ripple(0, 1, 1)) && isnan(exposure_ripple(100, 2, 1)));
}

static void a_switched_lamp_may_miss_light(void **state)
{
    (void)state;
    static const double rows[][6] = {
        /* lamp Hz, duty, seconds, most ms, least ms, stops */
        {200, .5, 0.008, 5, 3, 0.736966},
        {1000, .1, 0.00625, .7, .6, 0.222392},
        {1000, .5, 0.0033, 1.8, 1.5, 0.263034},
        {300, .3, 0.005, 2, 1, 1},
        {1000, .5, 0.008, 4, 4, 0},
        {25000, .2, 0.004, .8, .8, 0},
        {1000, .3, 0.005, 1.5, 1.5, 0},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        double most, least;
        exposure_switched(rows[i][0], rows[i][1], rows[i][2], &most, &least);
        assert_near(1000 * most, rows[i][3], 1e-6);
        assert_near(1000 * least, rows[i][4], 1e-6);
        assert_near(exposure_switched_stops(rows[i][0], rows[i][1], rows[i][2]), rows[i][5], 1e-5);
    }
    assert_true(isinf(exposure_switched_stops(100, 0.2, 0.001)));
    assert_true(isnan(exposure_switched_stops(100, 0, 0.001)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(apex_values_are_powers_of_two),
        cmocka_unit_test(every_marked_time_is_its_own_third),
        cmocka_unit_test(every_marked_aperture_and_speed_is_its_own_third),
        cmocka_unit_test(equal_exposures_are_found_by_thirds),
        cmocka_unit_test(a_lamp_on_the_mains_ripples),
        cmocka_unit_test(a_switched_lamp_may_miss_light),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
