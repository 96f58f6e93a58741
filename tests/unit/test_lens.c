/* Close-up optics against printed tables, derived closed forms and identities between photography and
 * microscopy. 'derived': computed apart from this program from the relation named, to the digits shown. */
#include "tests/support/test.h"

#include "optics/lens.h"
#include "optics/diffraction.h"

static double relative(double actual, double wanted)
{
    return fabs(actual / wanted - 1);
}

/* Smith, Modern Optical Engineering, ch. 2 (from memory): f = 100. */
static void the_thin_lens_gives_distances_and_extension(void **state)
{
    (void)state;
    static const double rows[][5] = {
        {0.1, 1100, 110, 1210, 10},  {0.25, 500, 125, 625, 25}, {0.5, 300, 150, 450, 50},
        {1, 200, 200, 400, 100},     {2, 150, 300, 450, 200},   {5, 120, 600, 720, 500},
        {10, 110, 1100, 1210, 1000},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double m = rows[i][0], u = lens_object_distance_mm(100, m), v = lens_image_distance_mm(100, m);
        assert_near(u, rows[i][1], 1e-9);
        assert_near(v, rows[i][2], 1e-9);
        assert_near(lens_total_mm(100, m), rows[i][3], 1e-9);
        assert_near(lens_extension_mm(100, m), rows[i][4], 1e-9);
        assert_near(1 / u + 1 / v, 1 / 100.0, 1e-14);
        assert_near(lens_magnification_at(100, u), m, 1e-12);
        assert_near(lens_total_mm(100, 1 / m), lens_total_mm(100, m), 1e-9);
    }
}

/* "Derivation: macro DOF equation", coinimaging.com: the focus plane lies f (1/m + 1/P) from the entrance
 * pupil. */
static void the_view_point_is_the_entrance_pupil(void **state)
{
    (void)state;
    static const double rows[][3] = {
        {1, 1, 200}, {1, 0.7, 242.857142857}, {1, 1.5, 166.666666667}, {2, 0.5, 250}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        assert_near(lens_view_distance_mm(100, rows[i][0], rows[i][1]), rows[i][2], 1e-8);
    assert_near(lens_exit_distance_mm(100, 2, 0.5), 250, 1e-12);
}

/* P = 1: Langford (textbook abstract, Taylor and Francis 9780080494012): m = 0.5 takes 2 1/4 times;
 * O'Reilly/Focal 9780240812120, ch. 3: m = 1 takes 4 times, two stops. With pupils: Conrad 2006 (from
 * memory), derived. */
static void the_exposure_factor_grows_with_the_extension(void **state)
{
    (void)state;
    static const double rows[][4] = {
        {0.25, 1, 1.5625, 0.643856},
        {0.5, 1, 2.25, 1.169925},
        {1, 1, 4, 2},
        {2, 1, 9, 3.169925},
        {3, 1, 16, 4},
        {5, 1, 36, 5.169925},
        {1, 0.5, 9, 3.169925},
        {1, 0.7, 5.897959, 2.560216},
        {1, 1.4, 2.938776, 1.555215},
        {1, 2, 2.25, 1.169925},
        {5, 0.7, 66.306122, 6.051070},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_near(lens_exposure_factor(rows[i][0], rows[i][1]), rows[i][2], 1e-6);
        assert_near(lens_exposure_stops(rows[i][0], rows[i][1]), rows[i][3], 1e-6);
    }
}

static void the_effective_f_number_counts_the_pupils(void **state)
{
    (void)state;
    static const double rows[][4] = {
        {2.8, 1, 1, 5.6},       {2.8, 5, 1, 16.8},      {4, 2, 0.7, 15.428571}, {5.6, 2, 1, 16.8},
        {8, 1, 0.7, 19.428571}, {8, 1, 1.5, 13.333333}, {11, 0.5, 1, 16.5},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double n = rows[i][0], m = rows[i][1], p = rows[i][2];
        assert_near(lens_effective_f_number(n, m, p), rows[i][3], 1e-6);
        assert_near(lens_effective_f_number(n, m, p), lens_effective_f_number(n, m / p, 1), 1e-12);
    }
    assert_near(lens_object_na(8 * 2, 1), 0.03125, 1e-12); /* derived: m / (2 N_eff) */
    assert_near(lens_object_na(16.8, 2), 0.0595238095, 1e-9);
    assert_near(lens_object_na(16.8, 5), 0.1488095238, 1e-9);
    assert_near(lens_effective_from_na(0.1488095238, 5), 16.8, 1e-7);
}

/* Derived from the pupils (sensor fixed); for P = 1 the usual near and far pair, Conrad 2006. */
static void depth_of_field_is_exact_with_pupils(void **state)
{
    (void)state;
    static const double rows[][9] = {
        /* f, N, c, m, P, near, far, exact total, close-up total */
        {100, 8, 0.03, 1, 1, 199.521149, 200.481155, 0.96000553, 0.96},
        {100, 8, 0.03, 1, 0.7, 242.275681, 243.441402, 1.165721, 1.16571429},
        {100, 8, 0.03, 1, 1.5, 166.267624, 167.067629, 0.800004608, 0.8},
        {100, 5.6, 0.01, 2, 1, 149.958012, 150.042012, 0.0840000066, 0.084},
        {100, 5.6, 0.01, 2, 0.5, 249.93002, 250.07002, 0.140000011, 0.14},
        {60, 11, 0.02, 0.5, 1, 178.68961, 181.329752, 2.64014198, 2.64},
        {100, 4, 0.008, 5, 1, 119.99232, 120.00768, 0.0153600001, 0.01536},
        {100, 16, 0.03, 0.1, 1, 1049.61832, 1155.46218, 105.843864, 105.6},
        {50, 16, 0.03, 0.02, 1, 1722.97297, 4903.84615, 3180.87318, 2448},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double *r = rows[i], f = r[0], n = r[1], c = r[2], m = r[3], p = r[4];
        double near, far;
        lens_depth_exact_mm(f, n, c, m, p, &near, &far);
        assert_true(relative(near, r[5]) < 1e-8 && relative(far, r[6]) < 1e-8);
        assert_true(relative(far - near, r[7]) < 1e-6);
        const double close = lens_depth_close_mm(lens_effective_f_number(n, m, p), c, m);
        assert_true(relative(close, r[8]) < 1e-8);
        const double error = n * c / (f * m); /* squared: how low the close-up form is, exactly */
        assert_near(close / (far - near), 1 - error * error, 1e-9);
        /* The blur at either end is c: the two formulas check each other. */
        const double view = lens_view_distance_mm(f, m, p);
        assert_near(lens_blur_mm(f, n, m, p, near - view), c, 1e-12);
        assert_near(lens_blur_mm(f, n, m, p, far - view), c, 1e-12);
    }
}

/* Usual hyperfocal relations (Ray, Applied Photographic Optics, from memory). */
static void ordinary_distances_have_the_usual_depth(void **state)
{
    (void)state;
    static const double rows[][7] = {
        {50, 8, 0.03, 3000, 10466.666667, 2337.905237, 4185.267857},
        {50, 8, 0.03, 5000, 10466.666667, 3389.370933, 9527.439024},
        {100, 5.6, 0.03, 10000, 59623.809524, 8573.976267, 11995.010076},
        {24, 11, 0.02, 1000, 2642.181818, 728.450020, 1594.331267},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double *r = rows[i];
        double near, far;
        lens_depth_at_distance_mm(r[0], r[1], r[2], r[3], &near, &far);
        assert_near(lens_hyperfocal_mm(r[0], r[1], r[2]), r[4], 1e-6);
        assert_near(near, r[5], 1e-6);
        assert_near(far, r[6], 1e-6);
        double pupil_near, pupil_far;
        lens_depth_exact_mm(r[0], r[1], r[2], lens_magnification_at(r[0], r[3]), 1, &pupil_near, &pupil_far);
        assert_near(pupil_far - pupil_near, far - near, 1e-6);
    }
    double near, far;
    const double h = lens_hyperfocal_mm(50, 8, 0.03);
    lens_depth_at_distance_mm(50, 8, 0.03, h, &near, &far);
    assert_true(isinf(far));
    assert_near(near, h / 2, 1e-9);
}

/* "Depth-of-field close up table", macrobellows.com: f/2.8 to f/32, c = 0.05 mm fits it (the page states
 * none). Printed to two digits; rows from m = 1.5 at f/4 and up within 4 % or 0.006 mm. */
static void a_printed_close_up_table_agrees(void **state)
{
    (void)state;
    static const double stops[] = {4, 5.6, 8, 11, 16, 22, 32};
    static const struct {
        double m, depth_mm[7];
    } rows[] = {
        {1.5, {0.44, 0.62, 0.89, 1.22, 1.78, 2.44, 3.60}}, {2, {0.30, 0.42, 0.60, 0.82, 1.20, 1.65, 2.40}},
        {3, {0.18, 0.25, 0.36, 0.49, 0.71, 0.98, 1.42}},   {4, {0.12, 0.17, 0.25, 0.34, 0.50, 0.69, 1.00}},
        {5, {0.10, 0.13, 0.19, 0.26, 0.38, 0.53, 0.77}},
    };
    double worst = 0;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        for (size_t k = 0; k < 7; k++) {
            const double wanted = rows[i].depth_mm[k], m = rows[i].m;
            const double depth = lens_depth_close_mm(lens_effective_f_number(stops[k], m, 1), 0.05, m);
            assert_true(fabs(depth - wanted) <= fmax(0.006, 0.04 * wanted));
            worst = fmax(worst, fabs(depth / wanted - 1));
        }
    printf("measured: printed close-up table, largest deviation %.1f %% (bound 4 %% or 0.006 mm)\n",
           100 * worst);
}

/* "Depth of Field Calculator", microscopyu.com, formula 1: lambda n/NA^2 + n e/(M NA). */
static void photography_and_microscopy_say_the_same(void **state)
{
    (void)state;
    static const double rows[][6] = {
        /* m, N_eff, e um, wave um, geometric um, total um */
        {5, 16.8, 8, 24.83712, 10.752, 35.58912},
        {2, 16.8, 10, 155.232, 84, 239.232},
        {1, 16, 10, 563.2, 320, 883.2},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double *r = rows[i], na = lens_object_na(r[1], r[0]);
        const double wave = 1000 * diffraction_wave_depth_mm(r[1], r[0], LIGHT_MM);
        const double rays = 1000 * lens_depth_close_mm(r[1], r[2] / 1000, r[0]);
        assert_near(wave, r[3], 1e-4);
        assert_near(rays, r[4], 1e-4);
        assert_near(wave + rays, r[5], 1e-4);
        assert_near(wave, 0.55 / (na * na), 1e-9);
        assert_near(rays, r[2] / (r[0] * na), 1e-9);
    }
}

/* cpp-lab.com, depth of field page: c = 0.03 full frame, 0.019 and 0.015 for the smaller formats, by
 * diagonal/1442 and the like; diagonals by Pythagoras. */
static void circles_and_pixels_follow_from_the_sensor(void **state)
{
    (void)state;
    static const double rows[][6] = {
        {36, 24, 43.266615, 0.030005, 0.028844, 0.025010},
        {23.5, 15.6, 28.206560, 0.019561, 0.018804, 0.016304},
        {22.3, 14.9, 26.819769, 0.018599, 0.017880, 0.015503},
        {17.3, 13.0, 21.640009, 0.015007, 0.014427, 0.012509},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double *r = rows[i];
        assert_near(lens_circle_mm(r[0], r[1], 1), r[2], 1e-6);
        assert_near(lens_circle_mm(r[0], r[1], 1442), r[3], 1e-6);
        assert_near(lens_circle_mm(r[0], r[1], 1500), r[4], 1e-6);
        assert_near(lens_circle_mm(r[0], r[1], 1730), r[5], 1e-6);
    }
    static const struct {
        double width_mm;
        int px;
        double pixel_um, nyquist;
    } pixels[] = {{36, 6000, 6, 83.3333},
                  {35.9, 8256, 4.348353, 114.9861},
                  {23.5, 6000, 3.916667, 127.6596},
                  {17.3, 5184, 3.337191, 149.8266}};
    for (size_t i = 0; i < sizeof pixels / sizeof *pixels; i++) {
        assert_near(1000 * lens_pixel_mm(pixels[i].width_mm, pixels[i].px), pixels[i].pixel_um, 1e-6);
        assert_near(lens_nyquist_lp_per_mm(lens_pixel_mm(pixels[i].width_mm, pixels[i].px)),
                    pixels[i].nyquist, 1e-4);
    }
}

/* Image side: Smith, eq. 9.8. Object side: derived from the pupils. */
static void a_point_out_of_focus_is_a_disc(void **state)
{
    (void)state;
    assert_near(lens_blur_image_mm(0.1, 16), 0.00625, 1e-12);
    static const double rows[][7] = {
        {100, 8, 1, 1, 1, 0.062189055, 0.0625},           {100, 8, 1, 1, -1, 0.062814070, 0.0625},
        {100, 5.6, 2, 1, 0.05, 0.011900795, 0.011904762}, {100, 5.6, 2, 0.7, 0.05, 0.009256859, 0.009259259},
        {60, 11, 0.5, 1, 3, 0.044709389, 0.045454545},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double *r = rows[i];
        assert_near(lens_blur_mm(r[0], r[1], r[2], r[3], r[4]), r[5], 1e-8);
        assert_near(lens_blur_first_order_mm(lens_effective_f_number(r[1], r[2], r[3]), r[2], r[4]), r[6],
                    1e-8);
    }
}

/* Newton: x x' = f^2; Smith, eq. 9.7 for m^2. */
static void depth_is_stretched_by_both_magnifications(void **state)
{
    (void)state;
    static const double rows[][3] = {{200, 201, 0.990099010},
                                     {300, 303, 0.246305419},
                                     {150, 150.1, 3.992015968},
                                     {120, 120.02, 24.975024975}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double m1 = lens_magnification_at(100, rows[i][0]), m2 = lens_magnification_at(100, rows[i][1]);
        assert_near(lens_longitudinal(m1, m2), rows[i][2], 1e-9);
        const double dv = lens_image_distance_mm(100, m1) - lens_image_distance_mm(100, m2);
        assert_true(relative(dv / (rows[i][1] - rows[i][0]), rows[i][2]) < 1e-8);
    }
}

/* f = 100, N = 8, c = 0.03, extension 40 to 60 mm in drives of 1 mm: equal moves of the lens are nearly equal
 * parts of the depth of field, though not of the depth (derived; u = f + f^2/e). */
static void equal_drives_are_nearly_equal_in_depths(void **state)
{
    (void)state;
    static const double rows[][3] = {/* extension, object step, in depths of field at its middle */
                                     {40, 6.097561, 1.483},
                                     {45, 4.830918, 1.432},
                                     {50, 3.921569, 1.384},
                                     {55, 3.246753, 1.340},
                                     {59, 2.824859, 1.306}};
    for (size_t i = 0; i < 5; i++) {
        const double m = rows[i][0] / 100, next = (rows[i][0] + 1) / 100, middle = (m + next) / 2;
        const double step = lens_object_distance_mm(100, m) - lens_object_distance_mm(100, next);
        const double depth = lens_depth_close_mm(lens_effective_f_number(8, middle, 1), 0.03, middle);
        assert_near(step, rows[i][1], 1e-6);
        assert_near(step / depth, rows[i][2], 1e-3);
    }
}

/* Derived: a lens that extends breathes, a rail changes the view point. */
static void moving_the_focus_changes_the_scale(void **state)
{
    (void)state;
    assert_near(lens_extended_magnification(100, 1, 5), 0.952381, 1e-6);
    assert_near(lens_extended_magnification(100, 0.5, 10), 0.476190, 1e-6);
    assert_near(lens_extended_magnification(100, 2, 2), 1.923077, 1e-6);
    assert_near(lens_rail_scale(lens_view_distance_mm(100, 1, 1), 5), 0.975610, 1e-6);
    assert_near(3000 * (1 / lens_rail_scale(200 - 0.4, 0.4) - 1), 6.012024, 1e-6);
    assert_near(3000 * (1 / lens_rail_scale(150 - 0.06, 0.06) - 1), 1.200480, 1e-6);
}

static void nonsense_gives_no_number(void **state)
{
    (void)state;
    double near, far;
    assert_true(isnan(lens_object_distance_mm(0, 1)) && isnan(lens_effective_f_number(0, 1, 1)));
    assert_true(isnan(lens_effective_f_number(2.8, 1, 0)) && isnan(lens_effective_f_number(2.8, NAN, 1)));
    assert_true(isnan(lens_magnification_at(100, 100)) && isnan(lens_pixel_mm(36, 0)));
    assert_true(isnan(lens_depth_close_mm(8, 0.03, -1)) && isnan(lens_blur_mm(100, 8, 1, 1, -500)));
    lens_depth_exact_mm(100, 0, 0.03, 1, 1, &near, &far);
    assert_true(isnan(near) && isnan(far));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_thin_lens_gives_distances_and_extension),
        cmocka_unit_test(the_view_point_is_the_entrance_pupil),
        cmocka_unit_test(the_exposure_factor_grows_with_the_extension),
        cmocka_unit_test(the_effective_f_number_counts_the_pupils),
        cmocka_unit_test(depth_of_field_is_exact_with_pupils),
        cmocka_unit_test(ordinary_distances_have_the_usual_depth),
        cmocka_unit_test(a_printed_close_up_table_agrees),
        cmocka_unit_test(photography_and_microscopy_say_the_same),
        cmocka_unit_test(circles_and_pixels_follow_from_the_sensor),
        cmocka_unit_test(a_point_out_of_focus_is_a_disc),
        cmocka_unit_test(depth_is_stretched_by_both_magnifications),
        cmocka_unit_test(equal_drives_are_nearly_equal_in_depths),
        cmocka_unit_test(moving_the_focus_changes_the_scale),
        cmocka_unit_test(nonsense_gives_no_number),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
