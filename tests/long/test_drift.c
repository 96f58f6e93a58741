/* Slow drift of the subject on frames of the simulated world: what was put in is known from how they were
 * made. A subject that goes so far a minute goes on the picture by so much times the scale of each frame,
 * which grows as a rail goes in (perspective). */
#include "tests/support/hard.h"
#include "tests/support/made_scene.h"
#include "tests/support/shoot.h"
#include "tests/support/test.h"

enum { SLICES = 40, N = SLICES + 4 };
#define SECONDS_A_FRAME 3

static const struct finding *find(const struct verdict *v, const char *code)
{
    for (int32_t i = 0; i < v->findings.count; i++)
        if (strcmp(v->findings.rows[i].code, code) == 0) return &v->findings.rows[i];
    return NULL;
}

/* So far to the right from the first frame to the last, evenly; and once, in the middle, by so much more: the
 * subject, pushed, or the camera, turned, which leaves the same pixels however the picture grows. Pixels of
 * the frame in the middle. */
struct moves {
    double drift_px, pushed_px, turned_px;
};

static void judge(struct shoot *s, struct moves m, const char *what, struct verdict *v)
{
    struct shoot_frame f[N];
    struct shots shots;
    struct err why = {0};
    shoot_places(s, -2 * s->spacing_nm, s->spacing_nm, N, f);
    for (int32_t i = 0; i < N; i++) {
        const double larger = exp((double)(f[i].at_nm - f[N / 2].at_nm) / (s->view_mm * 1e6));
        const double once = i >= N / 2 ? 1 : 0;
        f[i].shift_px = larger * (m.drift_px * i / (N - 1) + once * m.pushed_px) + once * m.turned_px;
    }
    shoot_frames(s, f, N, &shots);
    for (int32_t i = 0; i < N; i++)
        shots.rows[i].triggered_at_us = (int64_t)i * SECONDS_A_FRAME * 1000000;
    const struct check_input in = {.frames = N,
                                   .rows = shots.rows,
                                   .planned_scale = shots.planned_scale,
                                   .measures = shots.list,
                                   .order = ORDER_NEAR_FIRST};
    *v = (struct verdict){0};
    if (check_stack(&in, v, &why)) fail_msg("%s", why.text);
    printf("measured: drift, %s: %.2f px and a bump of %.0f put in, %.2f (%.2f down) told, error %.2f, bias "
           "%.2f\n",
           what, m.drift_px, m.pushed_px + m.turned_px, v->drift.x_px, v->drift.y_px, v->drift.error_px,
           v->drift.bias_px);
    assert_true(v->drift.known);
    assert_near(v->drift.minutes, (N - 1) * SECONDS_A_FRAME / 60.0, 1e-6);
    assert_near(v->drift.x_px_per_min, v->drift.x_px / v->drift.minutes, 1e-6);
    shots_clear(&shots);
}

static void drift_is_told_as_large_as_it_is(bool clock, const char *what)
{
    static const double drift_px[] = {0, 12, -5};
    struct shoot s;
    struct verdict v;
    shoot_open(&(struct shoot_opts){.clock = clock, .noise = 1, .seed = 5, .slices = SLICES}, &s);
    for (size_t k = 0; k < sizeof drift_px / sizeof *drift_px; k++) {
        judge(&s, (struct moves){.drift_px = drift_px[k]}, what, &v);
        assert_near(v.drift.x_px, drift_px[k], 1.5); /* half of what is said; the depths pass by the camera */
        assert_near(v.drift.y_px, 0, 1.5);
        assert_int_equal(find(&v, "drift") != NULL, drift_px[k] != 0);
        verdict_clear(&v);
    }
    static const struct moves bump[] = {{.pushed_px = 30}, {.turned_px = 150}};
    for (size_t k = 0; k < sizeof bump / sizeof *bump; k++) {
        judge(&s, bump[k], what, &v);
        assert_null(find(&v, "drift"));
        assert_non_null(find(&v, "moved"));
        verdict_clear(&v);
    }
    shoot_close(&s);
}

static void drift_of_the_clock_is_told_as_large_as_it_is(void **state)
{
    (void)state;
    drift_is_told_as_large_as_it_is(true, "clock");
}

static void drift_of_the_aloe_is_told_as_large_as_it_is(void **state)
{
    (void)state;
    drift_is_told_as_large_as_it_is(false, "aloe");
}

/* Depth and place go together there, and so do parallax and place: what each step is off by adds up. */
static double lean(double x, double y, const void *arg)
{
    (void)y;
    (void)arg;
    return x;
}

static void a_still_plane_that_leans_has_no_drift(void **state)
{
    (void)state;
    struct shoot s;
    struct verdict v;
    struct shoot_scene scene = hard_aloe();
    scene.width_px = 641;
    scene.height_px = 555;
    made_scene_depth(&scene, lean, NULL);
    shoot_open(&(struct shoot_opts){.scene = &scene, .noise = 1, .seed = 5, .slices = SLICES}, &s);
    judge(&s, (struct moves){0}, "leaning", &v);
    assert_null(find(&v, "drift"));
    verdict_clear(&v);
    judge(&s, (struct moves){.drift_px = 15}, "leaning", &v);
    assert_non_null(find(&v, "drift"));
    verdict_clear(&v);
    shoot_close(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(drift_of_the_clock_is_told_as_large_as_it_is),
        cmocka_unit_test(drift_of_the_aloe_is_told_as_large_as_it_is),
        cmocka_unit_test(a_still_plane_that_leans_has_no_drift),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
