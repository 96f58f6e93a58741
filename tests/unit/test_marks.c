/* Marked exposure settings: the series of thirds. Source of the series and of the spot values: scantips.com
 * fstop2.html (cameras use exact powers of two behind nominal marks). */
#include "tests/support/test.h"

#include "optics/exposure.h"
#include "optics/marks.h"

static const char *const times[] = {
    "30",     "25",     "20",     "15",     "13",    "10",     "8",      "6",      "5",      "4",
    "3.2",    "2.5",    "2",      "1.6",    "1.3",   "1",      "0.8",    "0.6",    "0.5",    "0.4",
    "0.3",    "1/4",    "1/5",    "1/6",    "1/8",   "1/10",   "1/13",   "1/15",   "1/20",   "1/25",
    "1/30",   "1/40",   "1/50",   "1/60",   "1/80",  "1/100",  "1/125",  "1/160",  "1/200",  "1/250",
    "1/320",  "1/400",  "1/500",  "1/640",  "1/800", "1/1000", "1/1250", "1/1600", "1/2000", "1/2500",
    "1/3200", "1/4000", "1/5000", "1/6400", "1/8000"};

static void times_map_both_ways(void **state)
{
    (void)state;
    char mark[MARK_ROOM];
    double worst = 0;
    assert_int_equal(sizeof times / sizeof *times, 55);
    for (int i = 0; i < 55; i++) {
        const int k = 15 - i;
        const double v = mark_seconds(times[i]), off = fabs(log2(v / exposure_time_of_third(k)));
        assert_int_equal(exposure_time_third(v), k);
        assert_true(mark_of_time(k, mark));
        assert_string_equal(mark, times[i]);
        if (off > worst) worst = off;
    }
    assert_near(worst, 0.0931, 0.0001); /* 30, 15, 1/15, 1/30, 1/60 */
    print_message("measured: 55 marked shutter times, each its own third; at worst %.4f stop off\n", worst);
    assert_false(mark_of_time(16, mark));
}

static void apertures_map_both_ways(void **state)
{
    (void)state;
    static const char *const marks[] = {"1",   "1.1", "1.2", "1.4", "1.6", "1.8", "2",   "2.2", "2.5", "2.8",
                                        "3.2", "3.5", "4",   "4.5", "5",   "5.6", "6.3", "7.1", "8",   "9",
                                        "10",  "11",  "13",  "14",  "16",  "18",  "20",  "22",  "25",  "29",
                                        "32",  "36",  "40",  "45",  "51",  "57",  "64"};
    char mark[MARK_ROOM], with[MARK_ROOM];
    double worst = 0;
    for (int k = 0; k <= 36; k++) {
        snprintf(with, sizeof with, "f/%s", marks[k]);
        const double v = mark_f_number(with), off = fabs(2 * log2(v / exposure_f_number_of_third(k)));
        assert_int_equal(exposure_f_number_third(v), k);
        assert_true(mark_of_f_number(k, mark));
        assert_string_equal(mark, marks[k]);
        if (off > worst) worst = off;
    }
    assert_near(worst, 0.1406, 0.0001); /* f/1.2 */
    assert_false(mark_of_f_number(37, mark));
    assert_false(mark_of_f_number(-1, mark));
}

static void sensitivities_map_both_ways(void **state)
{
    (void)state;
    static const char *const marks[] = {"100",  "125",  "160",  "200",  "250",  "320",  "400",
                                        "500",  "640",  "800",  "1000", "1250", "1600", "2000",
                                        "2500", "3200", "4000", "5000", "6400"};
    char mark[MARK_ROOM];
    double worst = 0;
    for (int k = 0; k < 19; k++) {
        const double v = mark_iso(marks[k]), off = fabs(log2(v / exposure_iso_of_third(k)));
        assert_int_equal(exposure_iso_third(v), k);
        assert_true(mark_of_iso(k, mark));
        assert_string_equal(mark, marks[k]);
        if (off > worst) worst = off;
    }
    assert_near(worst, 0.0228, 0.0001);
    assert_true(mark_of_iso(-3, mark));
    assert_string_equal(mark, "50");
}

/* f/8 1/125 ISO 100 = f/5.6 1/250 = f/11 1/60 = f/16 1/125 ISO 400, by index; by the marks' own numbers it
 * would be f/5.6 1/60 -> f/11 1/15.55. */
static void equal_exposures_are_equal_by_index(void **state)
{
    (void)state;
    static const char *const same[][3] = {
        {"8", "1/125", "100"}, {"5.6", "1/250", "100"}, {"11", "1/60", "100"}, {"16", "1/125", "400"}};
    for (int i = 0; i < 4; i++)
        assert_int_equal(exposure_time_third(mark_seconds(same[i][1])) -
                             exposure_f_number_third(mark_f_number(same[i][0])) +
                             exposure_iso_third(mark_iso(same[i][2])),
                         -21 - 18);
    const double third = exposure_time_third(mark_seconds("1/60")) - exposure_f_number_third(5.6) +
                         exposure_f_number_third(11);
    char mark[MARK_ROOM];
    assert_true(mark_of_time((int)third, mark));
    assert_string_equal(mark, "1/15");
}

/* Common practice, no source: what cameras write. */
static void whatever_a_camera_writes_is_read(void **state)
{
    (void)state;
    assert_near(mark_seconds("0.2500s"), 0.25, 1e-9);
    assert_near(mark_seconds("1/250"), 0.004, 1e-9);
    assert_near(mark_seconds("2\""), 2, 1e-9);
    assert_near(mark_seconds("4s"), 4, 1e-9);
    assert_near(mark_seconds("1/60 s"), 1 / 60.0, 1e-9);
    assert_near(mark_f_number("F5.6"), 5.6, 1e-9);
    assert_near(mark_iso("ISO 200"), 200, 1e-9);
    static const char *const none[] = {"",  "Bulb",  "Auto", "1/",  "1/0", "-1",
                                       "x", "1/4 m", "nan",  "inf", "0"};
    for (size_t i = 0; i < sizeof none / sizeof *none; i++) {
        assert_true(isnan(mark_seconds(none[i])));
        assert_true(isnan(mark_iso(none[i])));
    }
    assert_true(isnan(mark_f_number("f/")));
    assert_near(mark_stops_apart(1 / 30.0, 1 / 32.0, 1), 0, 1e-12);
    assert_near(mark_stops_apart(8, 5.6, 2), 1, 1e-12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(times_map_both_ways),
        cmocka_unit_test(apertures_map_both_ways),
        cmocka_unit_test(sensitivities_map_both_ways),
        cmocka_unit_test(equal_exposures_are_equal_by_index),
        cmocka_unit_test(whatever_a_camera_writes_is_read),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
