/* What is hard to judge in the frames of a stack - light, order, place - each right, wrong and borderline,
 * with what check says of it in a table. What is right follows from how the frames were made
 * (tests/support/hard.h). */
#include <string.h>

#include "tests/support/hard.h"
#include "tests/support/test.h"

enum { N = HARD_FRAMES, AT = 18, LAMP = 30 };

/* ---- light ---- */

static void open_aloe(struct hard *h)
{
    const struct shoot_scene scene = hard_aloe();
    hard_open(h, &scene);
}

static void a_lamp_off_at_slice_thirty_is_named(void **state)
{
    (void)state;
    struct hard h;
    open_aloe(&h);
    hard_judge(&h, 0, N, "nothing wrong");
    assert_int_equal(hard_blames(&h), 0);
    h.f[LAMP - 1].light_stops = -7;
    hard_judge(&h, 0, N, "lamp off for frame 30");
    assert_true(hard_names(&h, "light-odd", LAMP - 1) && hard_said(&h, "light-odd")->grave);
    assert_int_equal(hard_blames(&h), 1);
    hard_reset(&h);
    h.f[AT].light_stops = -7;
    hard_judge(&h, 0, N, "lamp off for frame 19");
    assert_true(hard_names(&h, "light-odd", AT));
    assert_int_equal(hard_blames(&h), 1);
    hard_reset(&h);
    for (int32_t i = LAMP - 1; i < N; i++)
        h.f[i].light_stops = -7;
    hard_judge(&h, 0, N, "lamp off from frame 30 on");
    assert_true(hard_names(&h, "light-jump", LAMP - 1));
    for (int32_t i = LAMP - 1; i < N; i++)
        assert_true(hard_names(&h, "light-odd", i));
    hard_reset(&h);
    h.f[LAMP - 1].light_stops = -0.06;
    hard_judge(&h, 0, N, "borderline: frame 30 darker by 0.06 stops");
    assert_int_equal(hard_blames(&h), 0);
    hard_close(&h);
}

static void unequal(struct hard *h, double stops)
{
    for (int32_t i = 0; i < N; i++)
        h->f[i].light_stops = i % 3 == 0 ? stops : i % 3 == 1 ? -stops : 0;
}

static void unequal_exposure_is_told(void **state)
{
    (void)state;
    struct hard h;
    open_aloe(&h);
    unequal(&h, 0.3);
    hard_judge(&h, 0, N, "unequal exposure, 0.3 stops up and down");
    assert_non_null(hard_said(&h, "light-scatter"));
    assert_null(hard_said(&h, "gap"));
    unequal(&h, 0.02);
    hard_judge(&h, 0, N, "borderline: 0.02 stops up and down");
    assert_int_equal(hard_blames(&h), 0);
    hard_close(&h);
}

/* ---- order and place ---- */

static void exchange(struct shoot_frame *f, int32_t i)
{
    const struct shoot_frame first = f[i];
    f[i] = f[i + 1];
    f[i + 1] = first;
}

static void two_slices_exchanged_are_named(void **state)
{
    (void)state;
    struct hard h;
    open_aloe(&h);
    exchange(h.f, AT);
    hard_judge(&h, 0, N, "frames 19 and 20 exchanged");
    assert_int_equal(h.v.swapped.count, 1);
    assert_int_equal(h.v.swapped.rows[0], AT);
    assert_int_equal(hard_blames(&h), 1);
    exchange(h.f, AT);
    exchange(h.f, 0);
    hard_judge(&h, 0, N, "borderline: 1 and 2 exchanged, nothing in focus");
    assert_false(hard_said(&h, "gap"));
    hard_close(&h);
}

/* Doubled: all slices are there, and one frame more. Else the frame stands where the next one should, which
 * is missing: that is a hole for whoever merges, and is told. */
static void a_frame_twice_is_named_and_a_hole_only_where_one_is(void **state)
{
    (void)state;
    static const char *const how[] = {"the picture of 19", "of the place of 19, other noise"};
    struct hard h;
    char what[80];
    open_aloe(&h);
    for (int32_t again = 0; again < 2; again++) {
        hard_reset(&h);
        h.f[AT + 1] = h.f[AT];
        h.f[AT + 1].again = again;
        snprintf(what, sizeof what, "in place of 20 %s", how[again]);
        hard_judge(&h, 0, N, what);
        assert_true(hard_names(&h, "repeated", AT + 1));
        assert_true(hard_names(&h, "gap", AT + 1) && h.v.gap_count == 1 && h.v.gaps[0].missing == 1);
        assert_int_equal(hard_blames(&h), 2);
        hard_reset(&h);
        memmove(h.f + AT + 1, h.f + AT, (N - AT) * sizeof *h.f);
        h.f[AT + 1].again = again;
        snprintf(what, sizeof what, "between 19 and 20 once more %s", how[again]);
        hard_judge(&h, 0, N + 1, what);
        assert_true(hard_names(&h, "repeated", AT + 1));
        assert_int_equal(hard_blames(&h), 1);
    }
    hard_reset(&h);
    h.f[AT + 1].at_nm -= h.s.spacing_nm * 3 / 10;
    hard_judge(&h, 0, N, "borderline: frame 20 a third too near");
    assert_int_equal(hard_blames(&h), 0);
    hard_close(&h);
}

static void a_bump_in_mid_stack_is_told(void **state)
{
    (void)state;
    struct hard h;
    open_aloe(&h);
    for (int32_t i = AT; i < N; i++)
        h.f[i].shift_px = 4;
    hard_judge(&h, 0, N, "subject bumped by 4 px before frame 19");
    assert_true(hard_names(&h, "moved", AT));
    assert_int_equal(h.v.group_count, 2);
    assert_int_equal(h.v.groups[1].first, AT);
    assert_near(fabs(h.v.groups[1].jump_x_px), 4, 0.3);
    assert_int_equal(h.v.blurred.count + h.v.swapped.count + h.v.repeated.count + h.v.gap_count, 0);
    for (int32_t i = AT; i < N; i++)
        h.f[i].shift_px = 0.2;
    hard_judge(&h, 0, N, "borderline: by 0.2 px");
    assert_int_equal(hard_blames(&h), 0);
    hard_close(&h);
}

/* Near the ends hardly a tile is in focus, and still the picture lies elsewhere. Before the first frame that
 * is of use it harms nobody. */
static void a_bump_where_hardly_anything_is_in_focus_is_told(void **state)
{
    (void)state;
    static const int32_t at[] = {5, 31, 33};
    static const double px[] = {40, 150};
    struct hard h;
    char what[80];
    open_aloe(&h);
    for (size_t k = 0; k < 2 * sizeof at / sizeof *at; k++) {
        const int32_t from = at[k / 2];
        hard_reset(&h);
        for (int32_t i = from; i < N; i++)
            h.f[i].shift_px = px[k % 2];
        snprintf(what, sizeof what, "bumped by %g px before frame %d", px[k % 2], (int)from + 1);
        hard_judge(&h, 0, N, what);
        assert_true(hard_names(&h, "moved", from));
        assert_int_equal(h.v.group_count, 2);
        assert_int_equal(h.v.groups[1].first, from);
        assert_near(h.v.groups[1].jump_x_px, px[k % 2], 2);
        assert_int_equal(h.v.blurred.count + h.v.swapped.count + h.v.repeated.count + h.v.gap_count, 0);
    }
    hard_reset(&h);
    for (int32_t i = 2; i < N; i++)
        h.f[i].shift_px = 40;
    hard_judge(&h, 0, N, "borderline: by 40 px before all that is of use");
    assert_null(hard_said(&h, "moved"));
    hard_reset(&h);
    for (int32_t i = 33; i < N; i++)
        h.f[i].shift_px = 4;
    hard_judge(&h, 0, N, "borderline: by 4 px where hardly anything shows");
    assert_int_equal(h.v.blurred.count + h.v.swapped.count + h.v.repeated.count + h.v.gap_count, 0);
    hard_close(&h);
}

/* In so small a picture a long smear leaves no fine detail to set against the frames beside: coarser tells.
 */
static void one_frame_shaken_by_eight_pixels_is_named(void **state)
{
    (void)state;
    static const int32_t at[] = {12, AT};
    struct hard h;
    char what[80];
    open_aloe(&h);
    for (size_t i = 0; i < sizeof at / sizeof *at; i++)
        for (double deg = 0; deg <= 90; deg += 45) {
            hard_reset(&h);
            h.f[at[i]].shake_px = 8;
            h.f[at[i]].shake_deg = deg;
            snprintf(what, sizeof what, "frame %d shaken by 8 px, %g degrees", (int)at[i] + 1, deg);
            hard_judge(&h, 0, N, what);
            assert_true(hard_names(&h, "blurred", at[i]) && h.v.blurred.count == 1);
            assert_int_equal(hard_blames(&h), 1);
        }
    hard_reset(&h);
    h.f[AT].shake_px = 1;
    hard_judge(&h, 0, N, "borderline: frame 19 shaken by 1 px");
    assert_int_equal(hard_blames(&h), 0);
    hard_close(&h);
}

/* With a frame taken when all was still it is told: test_quiet.c. */
static void frames_shaken_alike_are_not_set_against_each_other(void **state)
{
    (void)state;
    struct hard h;
    open_aloe(&h);
    for (int32_t i = 0; i < N; i++)
        h.f[i].shake_px = 2;
    hard_judge(&h, 0, N, "all frames shaken alike, no reference");
    assert_int_equal(h.v.blurred.count, 0);
    hard_close(&h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_lamp_off_at_slice_thirty_is_named),
        cmocka_unit_test(unequal_exposure_is_told),
        cmocka_unit_test(two_slices_exchanged_are_named),
        cmocka_unit_test(a_frame_twice_is_named_and_a_hole_only_where_one_is),
        cmocka_unit_test(a_bump_in_mid_stack_is_told),
        cmocka_unit_test(a_bump_where_hardly_anything_is_in_focus_is_told),
        cmocka_unit_test(one_frame_shaken_by_eight_pixels_is_named),
        cmocka_unit_test(frames_shaken_alike_are_not_set_against_each_other),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
