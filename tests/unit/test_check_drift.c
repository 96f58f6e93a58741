/* Slow drift on stacks made by a formula (tests/support/made.h), with and without a closing frame. What is
 * right follows from how the stack was made. */
#include "tests/support/made.h"
#include "tests/support/test.h"

enum { FRAMES = 30 };

static struct made_opts ramp(uint64_t seed)
{
    return (struct made_opts){
        .frames = FRAMES, .near_at = 3.5, .far_at = 25.5, .noise = 2, .scale_step = 0.001, .seed = seed};
}

static const struct finding *find(const struct verdict *v, const char *code)
{
    for (int32_t i = 0; i < v->findings.count; i++)
        if (strcmp(v->findings.rows[i].code, code) == 0) return &v->findings.rows[i];
    return NULL;
}

/* Frames two seconds apart, as their rows say: 29 steps of 0.1 px are 2.9 px in 58 s. A jump on the way is
 * none of it; without times there is none a minute. */
static void slow_drift_is_told_by_the_minute(void **state)
{
    (void)state;
    static const struct {
        double step_px, jump_px;
        bool timed, said;
    } rows[] = {{-0.2, 0, true, true},  {-0.2, 6, true, true}, {-0.2, 0, false, true},
                {0.02, 0, true, false}, {0, 6, true, false},   {0.02, 0, false, false}};
    for (size_t k = 0; k < sizeof rows / sizeof *rows; k++) {
        struct made_opts o = ramp(40 + k);
        struct made m;
        struct verdict v = {0};
        double shift[FRAMES];
        for (int32_t i = 0; i < FRAMES; i++)
            shift[i] = rows[k].step_px * i + (i >= 15 ? rows[k].jump_px : 0);
        o.shift_px = shift;
        made_new(&o, &m);
        for (int32_t i = 0; i < FRAMES; i++)
            m.rows[i].triggered_at_us = rows[k].timed ? 2000000LL * i : STACK_NONE;
        for (int32_t i = 0; i < FRAMES; i++)
            m.rows[i].captured_wall_us = STACK_NONE;
        made_check(&m, NULL, &v);
        made_clear(&m);
        printf("measured: drift told %.2f px, true %.2f px\n", v.drift.x_px, 29 * rows[k].step_px);
        assert_near(v.drift.x_px, 29 * rows[k].step_px, 1);
        assert_int_equal(find(&v, "drift") != NULL, rows[k].said);
        assert_int_equal(isnan(v.drift.x_px_per_min), !rows[k].timed);
        if (rows[k].timed) assert_near(v.drift.x_px_per_min, 30 * rows[k].step_px, 1);
        if (rows[k].said) assert_non_null(strstr(find(&v, "drift")->text, "to the left"));
        if (rows[k].said)
            assert_int_equal(strstr(find(&v, "drift")->text, "a minute") != NULL, rows[k].timed);
        verdict_clear(&v);
    }
}

/* A stack of so many trusted steps, two seconds apart, and a closing frame two seconds after its last one. */
static void with_closing(double step_px, int32_t trusted, const struct frame_shift *closing,
                         struct verdict *v)
{
    struct made_opts o = ramp(50);
    struct made m;
    double shift[FRAMES];
    for (int32_t i = 0; i < FRAMES; i++)
        shift[i] = step_px * i;
    o.shift_px = shift;
    made_new(&o, &m);
    for (int32_t i = 0; i < FRAMES; i++) {
        m.rows[i].triggered_at_us = 2000000LL * i;
        if (i > trusted) m.measures[i].shift = (struct frame_shift){.trust = SHIFT_NONE, .scale = 1};
    }
    const struct closing_frame frame = {*closing, 2000000LL * FRAMES};
    const struct check_input extra = {.closing = &frame};
    *v = (struct verdict){0};
    made_check(&m, &extra, v);
    made_clear(&m);
}

static struct frame_shift weak(double dx_px, double scale)
{
    return (struct frame_shift){
        .dx_px = (float)dx_px, .scale = (float)scale, .trust = SHIFT_WEAK, .confidence = 0.2F};
}

/* From frame to frame it is the same way; where the closing frame lies tells why. */
static void what_is_back_in_the_closing_frame_went_with_focus(void **state)
{
    (void)state;
    static const struct {
        double closing_px;
        const char *code;
    } rows[] = {{0, "skew"}, {-1.5, "skew"}, {-3, "drift"}, {-6, "drift"}};
    for (size_t k = 0; k < sizeof rows / sizeof *rows; k++) {
        struct verdict v;
        const struct frame_shift closing = weak(rows[k].closing_px, 1);
        with_closing(-0.2, FRAMES, &closing, &v);
        assert_near(v.drift.x_px, -5.8, 1);
        assert_true(v.drift.closing_known);
        assert_near(v.drift.closing_x_px, rows[k].closing_px, 1e-6);
        assert_non_null(find(&v, rows[k].code));
        assert_non_null(strstr(find(&v, rows[k].code)->text, "to the left"));
        assert_null(find(&v, rows[k].code[0] == 's' ? "drift" : "skew"));
        verdict_clear(&v);
    }
}

/* 30 steps of the same length to the closing frame, 29 of them within the stack; no step tells. */
static void the_closing_frame_alone_tells_an_even_drift(void **state)
{
    (void)state;
    struct verdict v;
    const struct frame_shift closing = weak(6, 1.0004);
    with_closing(0, 0, &closing, &v);
    assert_true(v.drift.known);
    assert_near(v.drift.x_px, 6 * 29.0 / 30, 1e-6);
    assert_near(v.drift.x_px_per_min, 6.0, 1e-6); /* one minute to the closing frame */
    assert_non_null(find(&v, "drift"));
    verdict_clear(&v);
}

/* Another scale is another place of focus, or no right shift; no confidence is none. */
static void a_closing_frame_of_another_place_tells_nothing(void **state)
{
    (void)state;
    struct frame_shift closing[3] = {weak(6, 1.002), weak(6, 1), weak(6, 1)};
    closing[1].confidence = 0.01F;
    closing[2].trust = SHIFT_AMBIGUOUS;
    for (int k = 0; k < 3; k++) {
        struct verdict v;
        with_closing(0, 0, &closing[k], &v);
        assert_false(v.drift.closing_known);
        assert_false(v.drift.known);
        assert_true(isnan(v.drift.closing_x_px) && isnan(v.drift.x_px));
        assert_null(find(&v, "drift"));
        verdict_clear(&v);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(slow_drift_is_told_by_the_minute),
        cmocka_unit_test(what_is_back_in_the_closing_frame_went_with_focus),
        cmocka_unit_test(the_closing_frame_alone_tells_an_even_drift),
        cmocka_unit_test(a_closing_frame_of_another_place_tells_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
