/* A stack against a frame taken when all was still, on frames of the simulated world: right, wrong and
 * borderline. What was done to the frames is known from how they were made: the world's shutter integrates
 * the movement itself. A smear of length d and a sine of amplitude a take the same contrast of all but the
 * finest detail where their variances agree, d^2 / 12 = a^2 / 2 (series of the closed forms in Hadar, Fisher
 * and Kopeika 1992, Opt. Eng. 31:581). */
#include <string.h>

#include "base/mem.h"
#include "image/measure_io.h"
#include "tests/support/made_scene.h"
#include "tests/support/test.h"

enum { N = 16, MIDDLE = 8 };
#define SEED 5

struct stack {
    struct shoot s;
    struct shoot_frame f[N], quiet;
};

static void open_stack(struct stack *k)
{
    shoot_open(&(struct shoot_opts){.clock = true, .noise = 1, .seed = SEED, .slices = N}, &k->s);
    shoot_places(&k->s, 0, k->s.spacing_nm, N, k->f);
    k->quiet = (struct shoot_frame){.at_nm = MIDDLE * k->s.spacing_nm, .again = 7};
}

static void shake_all(struct stack *k, double px, double deg, double sine_px)
{
    for (int i = 0; i < N; i++) {
        k->f[i].shake_px = px;
        k->f[i].shake_deg = deg;
        k->f[i].sine_px = sine_px;
    }
}

static const struct finding *find(const struct verdict *v, const char *code)
{
    for (int32_t i = 0; i < v->findings.count; i++)
        if (strcmp(v->findings.rows[i].code, code) == 0) return &v->findings.rows[i];
    return NULL;
}

static bool blamed(const struct verdict *v)
{
    return find(v, "shaken") || find(v, "softer");
}

static void judge_with(struct stack *k, const struct quiet_frame *quiet, const char *what, struct verdict *v)
{
    struct shots shots;
    struct err why = {0};
    shoot_frames(&k->s, k->f, N, &shots);
    const struct check_input in = {.frames = N,
                                   .rows = shots.rows,
                                   .planned_scale = shots.planned_scale,
                                   .measures = shots.list,
                                   .order = ORDER_NEAR_FIRST,
                                   .quiet = quiet,
                                   .quiet_count = 1};
    *v = (struct verdict){0};
    if (check_stack(&in, v, &why)) fail_msg("%s", why.text);
    const struct quiet_verdict *q = &v->quiet;
    printf("printed: quiet | %-44s | %s", what,
           find(v, "shaken")          ? "shaken"
           : find(v, "softer")        ? "softer"
           : q->state == QUIET_NO_USE ? q->reason
           : find(v, "quiet-no-use")  ? "no use: sharper"
                                      : "alike");
    if (q->state != QUIET_NO_USE)
        printf(", %.2f +- %.2f px, %.0f deg, contrast %.2f, at %.2f of %d tiles", q->smear_px, q->error_px,
               q->axis_deg, q->contrast, q->at, (int)q->tiles);
    puts("");
    shots_clear(&shots);
}

static void judge(struct stack *k, const char *what, struct verdict *v)
{
    struct shots ref;
    shoot_frames(&k->s, &k->quiet, 1, &ref);
    const struct quiet_frame quiet = {"quiet.jpg", &ref.measures[0], 250000, 0, 0};
    judge_with(k, &quiet, what, v);
    shots_clear(&ref);
}

static void a_stack_shaken_alike_is_told(void **state)
{
    (void)state;
    struct stack k;
    struct verdict v;
    open_stack(&k);
    shake_all(&k, 2, 30, 0);
    judge(&k, "all shaken by 2 px, 30 degrees", &v);
    assert_true(find(&v, "shaken") && find(&v, "shaken")->grave);
    assert_near(v.quiet.smear_px, 2, 0.4);
    assert_near(v.quiet.axis_deg, 30, 15);
    assert_near(v.quiet.at, MIDDLE, 0.1);
    assert_int_equal(v.blurred.count, 0); /* against each other none is worse */
    verdict_clear(&v);
    /* Told from a place between two slices, too. */
    k.quiet.at_nm += k.s.spacing_nm / 2;
    judge(&k, "the same, the quiet frame between two slices", &v);
    assert_true(v.quiet.state != QUIET_ALIKE); /* too little for so small a picture to be sure */
    verdict_clear(&v);
    shake_all(&k, 3, 30, 0);
    judge(&k, "3 px, the quiet frame between two slices", &v);
    assert_true(find(&v, "shaken"));
    assert_near(v.quiet.smear_px, 3, 0.6);
    shake_all(&k, 2, 30, 0);
    verdict_clear(&v);
    /* Planted: a reference that shook as the stack did says nothing. */
    k.quiet = k.f[MIDDLE];
    k.quiet.again = 7;
    judge(&k, "planted: the quiet frame shaken as they were", &v);
    assert_false(blamed(&v));
    verdict_clear(&v);
    k.quiet = (struct shoot_frame){.at_nm = MIDDLE * k.s.spacing_nm, .again = 7};
    shake_all(&k, 0, 90, 0.82);
    judge(&k, "all swung by 0.82 px, upright", &v);
    assert_true(find(&v, "shaken") && find(&v, "shaken")->grave);
    assert_near(v.quiet.smear_px, 0.82 * sqrt(6), 0.4);
    assert_near(v.quiet.axis_deg, 90, 15);
    verdict_clear(&v);
    shake_all(&k, 6, 0, 0);
    judge(&k, "all shaken by 6 px, level", &v);
    assert_true(find(&v, "shaken") && find(&v, "shaken")->grave);
    assert_near(v.quiet.smear_px, 6, 1.2);
    verdict_clear(&v);
    shoot_close(&k.s);
}

static void a_little_shake_is_told_and_hardly_any_is_not(void **state)
{
    (void)state;
    struct stack k;
    struct verdict v;
    open_stack(&k);
    shake_all(&k, 0.7, 30, 0);
    judge(&k, "borderline: all by 0.7 px", &v);
    assert_false(blamed(&v));
    verdict_clear(&v);
    shake_all(&k, 1.3, 30, 0);
    judge(&k, "borderline: all by 1.3 px", &v);
    assert_true(find(&v, "shaken") && !find(&v, "shaken")->grave);
    verdict_clear(&v);
    shake_all(&k, 1.9, 30, 0);
    judge(&k, "borderline: all by 1.9 px", &v);
    assert_true(find(&v, "shaken") && find(&v, "shaken")->grave);
    verdict_clear(&v);
    shoot_close(&k.s);
}

static void a_still_stack_is_as_sharp(void **state)
{
    (void)state;
    static const double at[] = {3, 5.25, MIDDLE, 9.5, 12.8};
    struct stack k;
    struct verdict v;
    open_stack(&k);
    for (size_t i = 0; i < sizeof at / sizeof *at; i++) {
        k.quiet.at_nm = llround(at[i] * (double)k.s.spacing_nm);
        judge(&k, "nothing shaken", &v);
        assert_false(blamed(&v) || find(&v, "quiet-no-use"));
        assert_near(v.quiet.at, at[i], 0.15);
        assert_int_equal(v.quiet.state, QUIET_ALIKE);
        verdict_clear(&v);
    }
    k.f[MIDDLE].shake_px = 3;
    k.quiet.at_nm = MIDDLE * k.s.spacing_nm;
    judge(&k, "one frame shaken, the quiet frame there", &v);
    /* Named once, by its neighbours or by the quiet frame: here a whole plate lies in focus there alone. */
    assert_true(blamed(&v) ? find(&v, "shaken")->frames[0] == MIDDLE && v.blurred.count == 0
                           : v.blurred.count == 1 && v.blurred.rows[0] == MIDDLE);
    verdict_clear(&v);
    k.f[MIDDLE].shake_px = 0;
    k.quiet.shake_px = 3;
    judge(&k, "the quiet frame alone shaken", &v);
    assert_false(blamed(&v));
    assert_true(find(&v, "quiet-no-use") && !find(&v, "quiet-no-use")->grave);
    verdict_clear(&v);
    shoot_close(&k.s);
}

/* The stack is shaken; what is no reference for it must not tell so. */
static void what_cannot_be_compared_is_said_and_blames_nobody(void **state)
{
    (void)state;
    struct stack k, other;
    struct verdict v;
    struct shots ref;
    open_stack(&k);
    shake_all(&k, 2, 30, 0);
    const struct shoot_frame good = k.quiet;
    const struct {
        const char *what;
        struct shoot_frame q;
    } wrong[] = {
        {"a stop more light", {.at_nm = good.at_nm, .again = 7, .light_stops = 0.7}},
        {"a stop less light", {.at_nm = good.at_nm, .again = 7, .light_stops = -0.7}},
        {"five slices before the stack", {.at_nm = -5 * k.s.spacing_nm, .again = 7}},
        {"five slices beyond the stack", {.at_nm = (N + 4) * k.s.spacing_nm, .again = 7}},
        {"the set 60 px aside", {.at_nm = good.at_nm, .again = 7, .shift_px = 60}},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        k.quiet = wrong[i].q;
        judge(&k, wrong[i].what, &v);
        assert_false(blamed(&v));
        assert_true(find(&v, "quiet-no-use") && !find(&v, "quiet-no-use")->grave);
        verdict_clear(&v);
    }
    k.quiet = good;
    shoot_frames(&k.s, &k.quiet, 1, &ref);
    struct quiet_frame quiet = {"quiet.jpg", &ref.measures[0], 250000, 0, 0};
    quiet.exposure_us = 30000;
    judge_with(&k, &quiet, "another exposure time", &v);
    assert_true(!blamed(&v) && strstr(find(&v, "quiet-no-use")->text, "exposure time"));
    verdict_clear(&v);
    shots_clear(&ref);
    const struct shoot_scene aloe = {.picture = "/usr/share/doc/opencv-doc/examples/data/aloeL.jpg",
                                     .depth_map = "/usr/share/doc/opencv-doc/examples/data/aloeGT.png",
                                     .width_px = 900,
                                     .height_px = 600};
    shoot_open(&(struct shoot_opts){.scene = &aloe, .noise = 1, .seed = SEED, .slices = N}, &other.s);
    shoot_frames(&other.s, &good, 1, &ref);
    quiet = (struct quiet_frame){"quiet.jpg", &ref.measures[0], 250000, 0, 0};
    judge_with(&k, &quiet, "another composition", &v);
    assert_true(!blamed(&v) && find(&v, "quiet-no-use"));
    verdict_clear(&v);
    shots_clear(&ref);
    shoot_close(&other.s);
    shoot_close(&k.s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_stack_shaken_alike_is_told),
        cmocka_unit_test(a_little_shake_is_told_and_hardly_any_is_not),
        cmocka_unit_test(a_still_stack_is_as_sharp),
        cmocka_unit_test(what_cannot_be_compared_is_said_and_blames_nobody),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
