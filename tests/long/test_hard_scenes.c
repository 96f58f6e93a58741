/* Scenes that are hard to judge, each right, wrong and borderline (tests/support/hard.h). */
#include "tests/support/hard.h"
#include "tests/support/made_scene.h"
#include "tests/support/test.h"

enum { N = HARD_FRAMES };

static double before_wall(double x, double y, const void *arg)
{
    (void)y;
    (void)arg;
    return x < 0.6 ? x : 1; /* the subject left, a wall far behind it */
}

static void a_region_leaves_the_background_out(void **state)
{
    (void)state;
    struct hard h;
    struct shoot_scene scene = hard_aloe();
    made_scene_depth(&scene, before_wall, NULL);
    hard_open(&h, &scene);
    const int32_t n = HARD_SPARE + HARD_SLICES * 6 / 10 + 3; /* beyond the subject, far before the wall */
    hard_judge(&h, 0, n, "stack ends before the wall behind");
    assert_non_null(hard_said(&h, "too-short-far"));
    h.region = (struct region_px){0, 0, 200, 346};
    hard_judge(&h, 0, n, "the same, region on the subject");
    assert_null(hard_said(&h, "too-short-far"));
    h.region = (struct region_px){0, 0, 330, 346};
    hard_judge(&h, 0, n, "borderline: region takes some of the wall");
    assert_non_null(hard_said(&h, "too-short-far"));
    hard_close(&h);
}

static double slope(double x, double y, const void *arg)
{
    (void)x;
    (void)arg;
    return y;
}

static uint8_t wallpaper(int32_t x, int32_t y, const void *arg)
{
    (void)arg;
    return (uint8_t)(120 + 60 * ((x / 5 + y / 5) % 2) + 20 * ((x / 10) % 2));
}

/* A hash of place as texture, on the right part only. */
static uint8_t half_bare(int32_t x, int32_t y, const void *arg)
{
    const int32_t bare = *(const int32_t *)arg;
    uint32_t h = (uint32_t)(x / 2) * 374761393u + (uint32_t)(y / 2) * 668265263u;
    h = (h ^ (h >> 13)) * 1274126177u;
    return x < bare ? 128 : (uint8_t)(60 + (h >> 24) / 2);
}

static void open_painted(struct hard *h, uint8_t (*gray)(int32_t, int32_t, const void *), const void *arg)
{
    struct shoot_scene scene = {.width_px = 400, .height_px = 346};
    made_scene_paint(&scene, 400, 346, gray, arg);
    made_scene_depth(&scene, slope, NULL);
    hard_open(h, &scene);
}

static void wallpaper_and_bare_parts_make_no_gap(void **state)
{
    (void)state;
    struct hard h;
    open_painted(&h, wallpaper, NULL);
    hard_judge(&h, 0, N, "periodic wallpaper on a slope");
    assert_int_equal(hard_blames(&h), 0);
    hard_close(&h);
    for (int32_t bare = 100; bare <= 300; bare += 200) {
        char what[80];
        snprintf(what, sizeof what, "no texture on the left %d of 400 px", (int)bare);
        open_painted(&h, half_bare, &bare);
        hard_judge(&h, 0, N, what);
        printf("measured: no texture on %.2f of the picture, told %.2f\n", bare / 400.0,
               1 - h.v.textured_fraction);
        assert_near(1 - h.v.textured_fraction, bare / 400.0, 0.12);
        assert_non_null(hard_said(&h, "no-texture"));
        assert_int_equal(hard_blames(&h), 0);
        hard_close(&h);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_region_leaves_the_background_out),
        cmocka_unit_test(wallpaper_and_bare_parts_make_no_gap),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
