/* Dust in clutter, on frames of the simulated world, which knows where it put it: pictures full of texture,
 * on depths that go up and down, so that something near every place is near its focus in many frames, and
 * strong edges far out of focus make dips and bumps everywhere. Right and wrong: each scene with dust on the
 * sensor, and without. Pictures of python3-skimage; the aloe is that of Middlebury 2006 (Scharstein and Pal
 * 2007), with its measured depth. */
#include <string.h>

#include "tests/support/hard.h"
#include "tests/support/made_scene.h"
#include "tests/support/second_scene.h"
#include "tests/support/test.h"

enum { DUST = 8, WIDTH = 900, HEIGHT = 675 };

struct clutter {
    const char *name; /* of a picture; NULL: the demo's clock */
    bool waves;       /* on a made depth */
    double across, down;
    int32_t slices;
    uint64_t seed;
};

static double waves(double x, double y, const void *arg)
{
    const struct clutter *c = arg;
    return 0.5 + 0.5 * sin(c->across * x + c->down * y);
}

static void set_scene(const struct clutter *c, struct shoot_scene *scene)
{
    char path[PATH_ROOM];
    *scene = hard_aloe();
    scene->width_px = WIDTH;
    scene->height_px = HEIGHT;
    if (!c->waves) return;
    second_scene_file(c->name, path, sizeof path);
    made_scene_file(scene, path);
    made_scene_depth(scene, waves, c);
}

/* Told where none is, and told where one is: within its radius. */
static int32_t count_wrong(const struct shoot *s, const struct verdict *v, int32_t *right)
{
    const struct world_spot *truth;
    const int32_t n = world_spots(s->world, &truth);
    int32_t wrong = 0;
    *right = 0;
    for (int32_t i = 0; i < v->spot_count; i++) {
        bool there = false;
        for (int32_t k = 0; k < n; k++)
            there =
                there || (!v->spots[i].hot && hypot(v->spots[i].x_px - truth[k].x_px,
                                                    v->spots[i].y_px - truth[k].y_px) <= truth[k].radius_px);
        *right += there;
        wrong += !there;
    }
    return wrong;
}

static int32_t shoot_clutter(const struct clutter *c, const struct shoot_scene *scene, int32_t dust)
{
    struct shoot s;
    struct shots shots;
    struct verdict v = {0};
    int32_t right;
    shoot_open(&(struct shoot_opts){.clock = !c->name,
                                    .scene = c->name ? scene : NULL,
                                    .noise = 1,
                                    .seed = c->seed,
                                    .slices = c->slices,
                                    .dust = dust},
               &s);
    shoot_even(&s, -2 * s.spacing_nm, s.spacing_nm, c->slices + 4, &shots);
    shots_check(&shots, SHOTS_PLANNED, &v);
    const int32_t wrong = count_wrong(&s, &v, &right);
    printf("printed: spots | clutter: %-40s | dust: %d there, %d told, %d of them wrong\n",
           c->name ? c->name : "the clock", (int)dust, (int)(right + wrong), (int)wrong);
    assert_int_equal(wrong, 0);
    verdict_clear(&v);
    shots_clear(&shots);
    shoot_close(&s);
    return right;
}

static void dust_in_clutter_is_told_and_nothing_else(void **state)
{
    (void)state;
    static const struct clutter all[] = {{.name = "aloe", .slices = 50, .seed = 21},
                                         {.name = "retina.jpg", true, 11, 0, 50, 25},
                                         {.slices = 70, .seed = 1}};
    int32_t told = 0, there = 0;
    for (size_t i = 0; i < sizeof all / sizeof *all; i++) {
        struct shoot_scene scene;
        set_scene(&all[i], &scene);
        assert_int_equal(shoot_clutter(&all[i], &scene, 0), 0);
        told += shoot_clutter(&all[i], &scene, DUST);
        there += DUST;
    }
    printf("measured: dust in clutter: %d of %d told, nothing else\n", (int)told, (int)there);
    assert_true(2 * told >= there);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(dust_in_clutter_is_told_and_nothing_else),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
