/* Peaks of focus curves against worked numbers (Gaussian interpolation: Nayar and Nakagawa, PAMI 16:824,
 * 1994, from memory; the numbers recomputed from Gaussians). */
#include "tests/support/test.h"

#include "image/peaks.h"

static void three_values_of_a_gaussian_give_its_top(void **state)
{
    (void)state;
    static const struct {
        double before, at, after, d0, step, top, sigma, tolerance;
    } row[] = {
        {64.9779341086, 97.7302372852, 88.2496902585, 2, 1, 2.3, 1.4, 1e-9},
        {4.59482991365, 4.94811063425, 3.91352269121, 10.5, 0.5, 10.37, 0.9, 1e-9},
        {0.0457999526263, 0.716431799247, 0.696804775496, 7, 1, 7.49, 0.6, 1e-9},
        {20, 50, 40, 5, 1, 5.304162860, 0.936818285, 1e-8},
        {1, 2, 1, 0, 1, 0, 0.849321800, 1e-8},
    };
    for (size_t i = 0; i < sizeof row / sizeof *row; i++) {
        double offset, sigma;
        assert_true(peak_gaussian(row[i].before, row[i].at, row[i].after, &offset, &sigma));
        assert_near(row[i].d0 + row[i].step * offset, row[i].top, row[i].tolerance);
        assert_near(row[i].step * sigma, row[i].sigma, row[i].tolerance);
    }
}

static void three_values_without_a_top_are_refused(void **state)
{
    (void)state;
    static const double row[][3] = {{0, 1, 0.5}, {1, 2, 0}, {1, -2, 1},  {2, 1, 0.5},      {1, 1, 1},
                                    {1, 2, 3},   {3, 2, 1}, {NAN, 2, 1}, {1, INFINITY, 1}, {1, NAN, 1}};
    double offset = 7, sigma = 8;
    for (size_t i = 0; i < sizeof row / sizeof *row; i++)
        assert_false(peak_gaussian(row[i][0], row[i][1], row[i][2], &offset, &sigma));
    assert_near(offset, 7, 0);
    assert_near(sigma, 8, 0);
}

static void two_bumps_are_two_peaks_strongest_first(void **state)
{
    (void)state;
    double curve[40];
    for (int i = 0; i < 40; i++)
        curve[i] = 1e-3 + 5 * exp(-pow(i - 9.3, 2) / 8) + 20 * exp(-pow(i - 27.6, 2) / 8);
    struct peak p[4];
    assert_int_equal(peaks_find(curve, 40, 0.5, p, 4), 2);
    assert_near(p[0].at, 27.6, 0.01);
    assert_near(p[0].sigma, 2, 0.01);
    assert_near(p[0].value, 20, 0.05);
    assert_near(p[1].at, 9.3, 0.01);
    assert_int_equal(p[1].index, 9);
    assert_int_equal(peaks_find(curve, 40, 0.5, p, 1), 1);
    assert_near(p[0].at, 27.6, 0.01);
}

static void a_ripple_below_the_prominence_is_no_peak(void **state)
{
    (void)state;
    double curve[30];
    for (int i = 0; i < 30; i++)
        curve[i] = (1 + 8 * exp(-pow(i - 14.2, 2) / 6)) * (i % 2 ? 1.04 : 1);
    struct peak p[8];
    assert_int_equal(peaks_find(curve, 30, 0.2, p, 8), 1);
    assert_true(peaks_find(curve, 30, 0.001, p, 8) > 3);
}

static void a_top_at_an_end_is_told_as_that(void **state)
{
    (void)state;
    static const double falling[] = {9, 7, 4, 2, 1};
    static const double plateau[] = {1, 5, 5, 5, 1};
    static const double flat[] = {3, 3, 3, 3};
    static const double nothing[] = {0, -1, NAN};
    struct peak p[2];
    assert_int_equal(peaks_find(falling, 5, 0.2, p, 2), 1);
    assert_near(p[0].at, 0, 0);
    assert_near(p[0].sigma, 0, 0);
    assert_near(p[0].prominence, log(9), 1e-12);
    assert_int_equal(peaks_find(plateau, 5, 0.2, p, 2), 1);
    assert_near(p[0].at, 2, 0);
    assert_int_equal(peaks_find(flat, 4, 0, p, 2), 0);
    assert_int_equal(peaks_find(nothing, 3, 0, p, 2), 0);
    assert_int_equal(peaks_find(nothing, 0, 0, p, 2), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(three_values_of_a_gaussian_give_its_top),
        cmocka_unit_test(three_values_without_a_top_are_refused),
        cmocka_unit_test(two_bumps_are_two_peaks_strongest_first),
        cmocka_unit_test(a_ripple_below_the_prominence_is_no_peak),
        cmocka_unit_test(a_top_at_an_end_is_told_as_that),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
