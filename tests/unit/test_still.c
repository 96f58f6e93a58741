/* A lens that does not follow shows in its frames: the same picture twice, but for the noise, is told from
 * one taken a spacing on. The truth is how the pictures are made here: a slanted plane, blurred by its
 * distance from the focus, with noise of a known sigma. */
#include "tests/support/test.h"

#include <math.h>
#include <stdlib.h>

#include "image/cells.h"
#include "image/measure_io.h"
#include "run/still.h"

#define W 240
#define H 180

static uint32_t seed;

static double noise(void)
{
    double sum = -6;
    for (int i = 0; i < 12; i++) { /* of nearly normal sum: sigma 1 */
        seed = seed * 1664525u + 1013904223u;
        sum += (seed >> 8) / 16777216.0;
    }
    return sum;
}

static double detail(int x, int y)
{
    uint32_t h = (uint32_t)x * 2654435761u ^ (uint32_t)y * 2246822519u;
    h ^= h >> 15;
    return 60 + (h * 2654435761u >> 24) / 2.0;
}

/* In focus at column `focus`; blur grows by a pixel of radius for each 20 columns beside it. */
static void measure(double focus, double sigma, bool flat, struct frame_measure *out)
{
    static uint8_t luma[W * H], ends[W * H];
    struct image picture = {.width_px = W, .height_px = H, .luma = luma, .ends = ends, .room = W * H};
    struct cells_space *space = cells_space_new(NULL);
    struct err why = {0};
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++) {
            const double radius = fmin(fabs(x - focus) / 20, 6), part = radius - (int)radius;
            double sum[2] = {0}, n[2] = {0};
            for (int which = 0; which < 2; which++)
                for (int dy = -(int)radius - which; dy <= (int)radius + which; dy++)
                    for (int dx = -(int)radius - which; dx <= (int)radius + which; dx++)
                        sum[which] += detail(x + dx, y + dy), n[which]++;
            const double v = flat ? 120 : (1 - part) * sum[0] / n[0] + part * sum[1] / n[1];
            luma[y * W + x] = (uint8_t)fmax(0, fmin(255, v + sigma * noise() + 0.5));
        }
    assert_non_null(space);
    if (cells_measure(space, "made", &picture, out, &why)) fail_msg("%s", why.text);
    cells_space_free(space);
}

static bool same(double focus, double then, double sigma, bool flat)
{
    struct frame_measure a = {0}, b = {0};
    measure(focus, sigma, flat, &a);
    measure(then, sigma, flat, &b);
    const bool out = still_the_same(&a, &b);
    frame_measure_clear(&a);
    frame_measure_clear(&b);
    return out;
}

static void a_frame_taken_twice_is_the_same(void **state)
{
    (void)state;
    assert_true(same(100, 100, 0, false));
    assert_true(same(20, 20, 0, false));
}

static void a_spacing_on_it_is_another(void **state)
{
    (void)state;
    for (double focus = 20; focus < 220; focus += 40) {
        assert_false(same(focus, focus + 12, 0, false)); /* just over half a pixel of blur */
        assert_false(same(focus, focus + 12, 1.5, false));
    }
}

static void where_nothing_shows_nobody_can_tell(void **state)
{
    (void)state;
    assert_false(same(100, 100, 1.5, true)); /* noise alone */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_frame_taken_twice_is_the_same),
        cmocka_unit_test(a_spacing_on_it_is_another),
        cmocka_unit_test(where_nothing_shows_nobody_can_tell),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
