/* Diffraction and defocus against published numbers, and against a slow integral over the aperture itself. */
#include "tests/support/test.h"

#include "optics/diffraction.h"

#define PI 3.14159265358979323846

/* Airy's disc: SPIE Optipedia, TT52, 1.5.1; Born and Wolf 8.5.2 (from memory): 2.44 lambda N; 84 % inside. */
static void the_smallest_spot_grows_with_the_f_number(void **state)
{
    (void)state;
    static const double rows[][3] = {
        {2.8, 3.75658, 649.3506},   {4, 5.36655, 454.5455},     {5.6, 7.51317, 324.6753},
        {8, 10.73310, 227.2727},    {11.2, 15.02633, 162.3377}, {16, 21.46619, 113.6364},
        {16.8, 22.53950, 108.2251}, {22, 29.51601, 82.6446},    {32, 42.93238, 56.8182},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double n = rows[i][0], um = 1000 * diffraction_airy_diameter_mm(n, LIGHT_MM);
        assert_near(um, rows[i][1], 5e-5 * rows[i][1]);
        assert_near(um, 2.44 * 0.55 * n, 5e-4 * um);
        assert_near(2000 * diffraction_rayleigh_mm(n, LIGHT_MM), um, 1e-12);
        assert_near(diffraction_cutoff_lp_per_mm(n, LIGHT_MM), rows[i][2], 1e-3);
        assert_near(diffraction_encircled(um / 2000, n, LIGHT_MM), 0.837785, 1e-6);
    }
    assert_near(diffraction_encircled(2.23313 * LIGHT_MM * 8, 8, LIGHT_MM), 0.909931,
                1e-6); /* second dark ring */
}

/* "Optical transfer function", encyclopedia text; the numbers recomputed from it. */
static void contrast_falls_to_zero_at_the_cut_off(void **state)
{
    (void)state;
    static const double rows[][2] = {
        {0.05, .936365}, {0.1, .872889}, {0.2, .747060},  {0.25, .685038}, {0.3, .623838},
        {0.4, .504632},  {0.5, .391002}, {0.6, .284757},  {0.7, .188120},  {0.75, .144294},
        {0.8, .104088},  {0.9, .037386}, {0.95, .013320},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        assert_near(diffraction_mtf(rows[i][0]), rows[i][1], 1e-6);
    assert_near(diffraction_mtf(0), 1, 1e-15);
    assert_true(diffraction_mtf(1) == 0 && diffraction_mtf(3) == 0 && isnan(diffraction_mtf(-0.1)));
    static const double inverse[][2] = {{0.5, 0.403973}, {0.3, 0.585137}, {0.2, 0.687049}, {0.1, 0.805384}};
    for (size_t i = 0; i < sizeof inverse / sizeof *inverse; i++)
        assert_near(diffraction_nu_at(inverse[i][0]), inverse[i][1], 1e-6);
    assert_near(diffraction_mtf(1 / 1.21967), 0.089234, 1e-6);
    double sum = 0; /* integral of T nu dnu = 1/8, by the midpoint rule */
    for (int i = 0; i < 20000; i++)
        sum += diffraction_mtf((i + 0.5) / 20000) * (i + 0.5) / 20000;
    assert_near(sum / 20000, 0.125, 1e-7);
}

/* Hopkins 1955 (from memory), integrated apart from this program to the digits shown. */
static void defocus_takes_contrast(void **state)
{
    (void)state;
    static const double rows[][4] = {
        /* W, nu, exact, quick */
        {0.25, 0.1, 0.838860, 0.838459}, {0.25, 0.2, 0.658579, 0.656575}, {0.25, 0.3, 0.501570, 0.497574},
        {0.25, 0.5, 0.287468, 0.282187}, {0.25, 0.7, 0.152489, 0.150045}, {0.5, 0.1, 0.742089, 0.740568},
        {0.5, 0.2, 0.434819, 0.428047},  {0.5, 0.3, 0.229264, 0.217380},  {0.5, 0.5, 0.084609, 0.070846},
        {1, 0.1, 0.426646, 0.421736},    {1, 0.2, -0.014414, -0.027529},  {1, 0.3, -0.069515, -0.081710},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_near(diffraction_defocus_otf(rows[i][1], rows[i][0]), rows[i][2], 1e-6);
        assert_near(diffraction_defocus_otf_quick(rows[i][1], rows[i][0]), rows[i][3], 1e-6);
    }
    double worst = 0;
    for (int w = 0; w <= 40; w++)
        for (int k = 0; k <= 100; k++) {
            const double nu = k / 100.0, waves = w / 20.0;
            worst = fmax(worst,
                         fabs(diffraction_defocus_otf(nu, waves) - diffraction_defocus_otf_quick(nu, waves)));
            if (w == 0) assert_near(diffraction_defocus_otf(nu, 0), diffraction_mtf(nu), 1e-9);
        }
    assert_true(worst < 0.017); /* largest near 0.67 waves; at 0.25, 0.5, 1 and 2 waves under 0.015 */
    printf("measured: quick defocus formula, largest error %.4f of contrast up to 2 waves (bound 0.017)\n",
           worst);
}

/* The aperture laid on itself, shifted by 2 nu radii, pixel by pixel: the definition of the transfer
 * function. */
static double overlap_integral(double nu, double waves)
{
    const int n = 1200;
    double sum = 0;
    for (int iy = 0; iy < n; iy++)
        for (int ix = 0; ix < n; ix++) {
            const double x = -1 + (ix + 0.5) * 2 / n, y = -1 + (iy + 0.5) * 2 / n;
            const double left = (x + nu) * (x + nu) + y * y, right = (x - nu) * (x - nu) + y * y;
            if (left < 1 && right < 1) sum += cos(2 * PI * waves * (left - right));
        }
    return sum * 4 / n / n / PI;
}

static void the_integral_is_the_aperture_laid_on_itself(void **state)
{
    (void)state;
    static const double waves[] = {0, 0.3, 0.426, 1.5}, nus[] = {0.08, 0.144, 0.4, 0.7};
    for (size_t i = 0; i < 4; i++)
        for (size_t k = 0; k < 4; k++)
            assert_near(diffraction_defocus_otf(nus[k], waves[i]), overlap_integral(nus[k], waves[i]), 1e-3);
}

/* Strehl: closed form for defocus alone; 0.8 near a quarter wave (handbook chapter Optical Systems, 11.6). */
static void a_quarter_wave_keeps_four_fifths(void **state)
{
    (void)state;
    static const double rows[][2] = {{.1, .967531}, {.25, .810569}, {.5, .405285}, {.75, .090063}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        assert_near(diffraction_strehl(rows[i][0]), rows[i][1], 1e-6);
    assert_near(diffraction_strehl(1), 0, 1e-12);
    assert_near(diffraction_strehl(0.257522), 0.8, 1e-5);
    double defocused = 0, focused = 0; /* the same from the volume under the transfer function */
    for (int i = 0; i < 4000; i++) {
        const double nu = (i + 0.5) / 4000;
        defocused += diffraction_defocus_otf(nu, 0.25) * nu;
        focused += diffraction_mtf(nu) * nu;
    }
    assert_near(defocused / focused, 0.8105694692, 1e-6);
}

/* Depth of focus +-2 lambda N^2 at a quarter wave (Born and Wolf 8.8, from memory). */
static void the_quarter_wave_depth_is_as_in_the_books(void **state)
{
    (void)state;
    static const double rows[][2] = {{2.8, 8.6240}, {4, 17.6},   {5.6, 34.496},
                                     {8, 70.4},     {11, 133.1}, {16, 281.6}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        assert_near(1000 * diffraction_defocus_mm(0.25, rows[i][0], LIGHT_MM), rows[i][1], 1e-9);
        assert_near(diffraction_waves(rows[i][1] / 1000, rows[i][0], LIGHT_MM), 0.25, 1e-12);
        assert_near(500 * diffraction_wave_depth_mm(rows[i][0], 1, LIGHT_MM), rows[i][1], 1e-9);
    }
    /* "Biophotonics: Concepts to Applications", example 8.4, in glass of 1.51 at 780 nm: 29.4 and 3.89 um.
     * Here m is chosen so that NA comes out; the formula is in air, hence n apart. */
    const double lambda = 0.00078;
    assert_near(1.51 * 1000 * diffraction_wave_depth_mm(1 / (2 * 0.20), 1, lambda), 29.4, 0.05);
    assert_near(1.51 * 1000 * diffraction_wave_depth_mm(1 / (2 * 0.55), 1, lambda), 3.89, 0.005);
    /* "Depth of Field and Depth of Focus", microscopyu.com, table 1, the rows up to NA 0.25: all wave depth
     * formulas agree within 3.5 % there. */
    assert_near(1000 * diffraction_wave_depth_mm(4 / (2 * 0.10), 4, LIGHT_MM), 55.5, 0.02 * 55.5);
    assert_near(1000 * diffraction_wave_depth_mm(10 / (2 * 0.25), 10, LIGHT_MM), 8.5, 0.036 * 8.5);
}

/* Ray optics is the limit of small frequencies and large defocus. */
static void large_blur_is_the_disc_of_rays(void **state)
{
    (void)state;
    const double n = 14, frequency = 2, waves = 3, nu = frequency * LIGHT_MM * n;
    const double disc = fabs(diffraction_defocus_mm(waves, n, LIGHT_MM)) / n;
    assert_near(diffraction_defocus_otf(nu, waves), diffraction_disc_otf(disc, frequency), 0.02);
    assert_near(diffraction_disc_otf(0, 50), 1, 1e-12);
    assert_near(diffraction_disc_otf(1.21966989126650, 1), 0, 1e-12); /* first zero of J1 at 1.21967 pi */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_smallest_spot_grows_with_the_f_number),
        cmocka_unit_test(contrast_falls_to_zero_at_the_cut_off),
        cmocka_unit_test(defocus_takes_contrast),
        cmocka_unit_test(the_integral_is_the_aperture_laid_on_itself),
        cmocka_unit_test(a_quarter_wave_keeps_four_fifths),
        cmocka_unit_test(the_quarter_wave_depth_is_as_in_the_books),
        cmocka_unit_test(large_blur_is_the_disc_of_rays),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
