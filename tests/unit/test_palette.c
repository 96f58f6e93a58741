/* The colours against other people's formulas: WCAG 2.1 (relative luminance, contrast), CIE 1976 L*, and the
 * projections for colour blindness of Vienot, Brettel and Mollon, Color Res. Appl. 24:243, 1999 (matrices
 * from memory). */
#include "tests/support/test.h"

#include "report/palette.h"

static double linear(double coded)
{
    return coded <= 0.03928 ? coded / 12.92 : pow((coded + 0.055) / 1.055, 2.4);
}

/* After a 3x3 projection in linear light (NULL: none), the relative luminance of WCAG 2.1. */
static double luminance(struct rgb c, const double (*m)[3])
{
    const double in[3] = {linear(c.r), linear(c.g), linear(c.b)};
    double out[3] = {in[0], in[1], in[2]};
    for (int i = 0; m && i < 3; i++)
        out[i] = m[i][0] * in[0] + m[i][1] * in[1] + m[i][2] * in[2];
    return 0.2126 * out[0] + 0.7152 * out[1] + 0.0722 * out[2];
}

static double contrast(struct rgb a, struct rgb b)
{
    const double x = luminance(a, NULL), y = luminance(b, NULL);
    return (fmax(x, y) + 0.05) / (fmin(x, y) + 0.05);
}

static double l_star(double y)
{
    return y > 0.008856 ? 116 * cbrt(y) - 16 : 903.3 * y;
}

/* CSS Color Module Level 4 gives oklab(0.628 0.225 0.126) for red and 1 0 0 for white (from memory). */
static void oklab_is_the_published_one(void **state)
{
    (void)state;
    const struct lab red = palette_lab(RGB_HEX(0xFF0000)), white = palette_lab(RGB_HEX(0xFFFFFF));
    assert_near(red.l, 0.628, 5e-4);
    assert_near(red.a, 0.225, 5e-4);
    assert_near(red.b, 0.126, 5e-4);
    assert_near(white.l, 1, 1e-4);
    assert_near(white.a, 0, 1e-4);
    assert_near(white.b, 0, 1e-4);
}

static void oklab_goes_there_and_back(void **state)
{
    (void)state;
    for (unsigned hex = 0; hex <= 0xFFFFFF; hex += 0x10305) {
        const struct rgb c = palette_rgb(palette_lab(RGB_HEX(hex)));
        assert_near(c.r, RGB_HEX(hex).r, 1e-3);
        assert_near(c.g, RGB_HEX(hex).g, 1e-3);
        assert_near(c.b, RGB_HEX(hex).b, 1e-3);
    }
}

static void scale_darkens_evenly_for_every_eye(void **state)
{
    (void)state;
    static const double protan[3][3] = {{0.11238, 0.88762, 0}, {0.11238, 0.88762, 0}, {0.00401, -0.00401, 1}};
    static const double deutan[3][3] = {{0.29275, 0.70725, 0}, {0.29275, 0.70725, 0}, {-0.02234, 0.02234, 1}};
    const double(*const eyes[])[3] = {NULL, protan, deutan};
    for (int eye = 0; eye < 3; eye++) {
        const double whole =
            l_star(luminance(palette_scale(0), eyes[eye])) - l_star(luminance(palette_scale(1), eyes[eye]));
        double least = 1e9, most = 0;
        for (int i = 0; i < 20; i++) {
            const double step = l_star(luminance(palette_scale(i / 20.0), eyes[eye])) -
                                l_star(luminance(palette_scale((i + 1) / 20.0), eyes[eye]));
            least = fmin(least, step);
            most = fmax(most, step);
        }
        printf("measured: colour scale, eye %d: %.1f L* in 20 steps of %.2f to %.2f\n", eye, whole, least,
               most);
        assert_true(whole > 40);
        assert_true(least > 0.5 * whole / 20 && most < 1.6 * whole / 20);
    }
}

static void every_ink_reads_on_its_ground(void **state)
{
    (void)state;
    assert_true(contrast(PALETTE_INK, PALETTE_PAPER) >= 7);
    assert_true(contrast(PALETTE_QUIET, PALETTE_PAPER) >= 4.5);
    assert_true(contrast(PALETTE_ALARM, PALETTE_PAPER) >= 4.5);
    for (int i = 0; i <= 100; i++) {
        const struct rgb ground = palette_scale(i / 100.0);
        assert_true(contrast(palette_ink_on(ground), ground) >= 4.5);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(oklab_is_the_published_one),
        cmocka_unit_test(oklab_goes_there_and_back),
        cmocka_unit_test(scale_darkens_evenly_for_every_eye),
        cmocka_unit_test(every_ink_reads_on_its_ground),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
