/* Spots on the sensor, on frames of the simulated world, which knows where it put them: right, wrong and
 * borderline. */
#include <string.h>

#include "tests/support/made_scene.h"
#include "tests/support/test.h"

static const struct finding *find(const struct verdict *v, const char *code)
{
    for (int32_t i = 0; i < v->findings.count; i++)
        if (strcmp(v->findings.rows[i].code, code) == 0) return &v->findings.rows[i];
    return NULL;
}

/* Shoots from two slices before the near end to two beyond the far one, and checks. */
static void shoot_stack(const struct shoot_opts *o, struct shoot *s, struct verdict *v)
{
    struct shots shots;
    *v = (struct verdict){0};
    shoot_open(o, s);
    shoot_even(s, -2 * s->spacing_nm, s->spacing_nm, o->slices + 4, &shots);
    shots_check(&shots, SHOTS_PLANNED, v);
    shots_clear(&shots);
}

struct score {
    int32_t there, told, wrong; /* of one kind */
};

/* What is told lies where the world has one: a hot pixel within a pixel, dust within its radius. */
static struct score compare(const struct shoot *s, const struct verdict *v, bool hot, const char *what)
{
    const struct world_spot *truth;
    const int32_t n = world_spots(s->world, &truth);
    struct score score = {0};
    for (int32_t k = 0; k < n; k++)
        score.there += truth[k].hot == hot;
    for (int32_t i = 0; i < v->spot_count; i++) {
        const struct sensor_spot *t = &v->spots[i];
        bool right = false;
        for (int32_t k = 0; k < n && t->hot == hot; k++) {
            const double x = hot ? t->x_px + 0.5 : t->x_px, y = hot ? t->y_px + 0.5 : t->y_px;
            const double within = hot ? 1.1 : truth[k].radius_px;
            right = right || (truth[k].hot == hot && hypot(x - truth[k].x_px, y - truth[k].y_px) <= within);
        }
        score.told += t->hot == hot;
        score.wrong += t->hot == hot && !right;
    }
    printf("printed: spots | %-42s | %s: %d there, %d told, %d of them wrong\n", what,
           hot ? "hot pixels" : "dust", (int)score.there, (int)score.told, (int)score.wrong);
    return score;
}

static void hot_pixels_are_told_where_they_are(void **state)
{
    (void)state;
    struct shoot s;
    struct verdict v;
    shoot_stack(&(struct shoot_opts){.clock = true, .noise = 1, .seed = 5, .slices = 36, .hot_pixels = 9}, &s,
                &v);
    const struct score hot = compare(&s, &v, true, "the clock");
    /* A blue one adds an eighth of its light to the luma (Rec. 601): too little. */
    assert_true(hot.told >= 5 && hot.wrong == 0);
    assert_int_equal(compare(&s, &v, false, "the clock").told, 0);
    const struct finding *f = find(&v, "spots");
    assert_true(f && !f->grave && strstr(f->text, "hot pixels") && strstr(f->advice, "map them"));
    verdict_clear(&v);
    shoot_close(&s);
    shoot_stack(&(struct shoot_opts){.clock = true, .noise = 1, .seed = 5, .slices = 36}, &s, &v);
    assert_int_equal(compare(&s, &v, true, "the clock, a clean sensor").told, 0);
    assert_int_equal(compare(&s, &v, false, "the clock, a clean sensor").told, 0);
    assert_null(find(&v, "spots"));
    verdict_clear(&v);
    shoot_close(&s);
}

/* A textured slope on the left, a plain backdrop on the right; in its middle a dark soft blob and a bright
 * speck that are the subject's own. */
enum { W = 900, H = 600 };

static uint8_t blob_paint(int32_t x, int32_t y, const void *arg)
{
    (void)arg;
    const uint32_t h = ((uint32_t)(x / 2) * 2654435761u) ^ ((uint32_t)(y / 2) * 2246822519u);
    const double grain = x < W / 2 + 60 ? (double)((h >> 13) % 80) - 40 : 0;
    const double r = hypot(x - W / 2.0, y - H / 2.0), s = hypot(x - W / 2.0 - 30, y - H / 2.0 + 20);
    const double blob = r < 12 ? 60 * (1 - r * r / 144) * (1 - r * r / 144) : 0;
    const double v = 140 + grain - blob + (s < 1.5 ? 100 : 0);
    return (uint8_t)(v < 0 ? 0 : v > 255 ? 255 : v);
}

static double slope_then_backdrop(double x, double y, const void *arg)
{
    (void)y;
    (void)arg;
    return x < 0.5 + 60.0 / W ? 0.7 * x / (0.5 + 60.0 / W) : 1;
}

static struct shoot_scene painted(void)
{
    struct shoot_scene scene = {.width_px = W, .height_px = H};
    made_scene_paint(&scene, W, H, blob_paint, NULL);
    made_scene_depth(&scene, slope_then_backdrop, NULL);
    return scene;
}

static void dust_is_told_and_details_of_the_subject_are_not(void **state)
{
    (void)state;
    const struct shoot_scene scene = painted();
    struct shoot s;
    struct verdict v;
    shoot_stack(&(struct shoot_opts){.scene = &scene, .noise = 1, .seed = 11, .slices = 36}, &s, &v);
    assert_int_equal(compare(&s, &v, false, "a blob and a speck of the subject").told, 0);
    assert_int_equal(compare(&s, &v, true, "a blob and a speck of the subject").told, 0);
    verdict_clear(&v);
    shoot_close(&s);
    shoot_stack(
        &(struct shoot_opts){
            .scene = &scene, .noise = 1, .seed = 11, .slices = 36, .dust = 8, .hot_pixels = 6},
        &s, &v);
    const struct score dust = compare(&s, &v, false, "both kinds, slope and backdrop"),
                       hot = compare(&s, &v, true, "both kinds, slope and backdrop");
    assert_true(dust.told >= 5 && dust.wrong == 0);
    assert_true(hot.told >= 2 &&
                hot.wrong == 0); /* on the bright backdrop the curve of tones flattens them */
    assert_true(find(&v, "spots") && strstr(find(&v, "spots")->text, "dust shadows and"));
    verdict_clear(&v);
    shoot_close(&s);
}

/* Borderline: a stack too shallow to tell a shadow from a detail says nothing rather than guess. */
static void a_shallow_stack_tells_nothing(void **state)
{
    (void)state;
    const struct shoot_scene scene = painted();
    struct shoot s;
    struct verdict v;
    shoot_stack(
        &(struct shoot_opts){
            .scene = &scene, .noise = 1, .seed = 11, .slices = 3, .dust = 8, .hot_pixels = 6},
        &s, &v);
    assert_int_equal(compare(&s, &v, false, "borderline: seven slices").told, 0);
    assert_int_equal(compare(&s, &v, true, "borderline: seven slices").told, 0);
    verdict_clear(&v);
    shoot_close(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(hot_pixels_are_told_where_they_are),
        cmocka_unit_test(dust_is_told_and_details_of_the_subject_are_not),
        cmocka_unit_test(a_shallow_stack_tells_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
