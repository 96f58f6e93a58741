/* Two sweeps of an axis over the same places, made by a formula: the contrast of a place goes as a Gaussian
 * of its distance from focus (Nayar and Nakagawa, PAMI 16:824, 1994, from memory). What is planted must be
 * found. */
#include "tests/support/test.h"

#include "image/sweeps.h"

enum { FRAMES = 24, ROWS = 20, COLS = 30, PLACES = ROWS * COLS };
#define STEP 20.0

static double uniform(uint64_t *state)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return (double)(*state >> 11) / 9007199254740992.0;
}

struct planted {
    double shift;           /* of where the places are found */
    const double *position; /* [frame] how far the axis missed it; NULL: nowhere */
    double noise;           /* of a value, relative */
    uint64_t seed;
};

/* Each place has its own depth and texture: the same in every sweep. */
static void drive(struct sweep *s, const struct planted *p)
{
    struct err why;
    struct measure_cell cells[PLACES];
    struct frame_measure m = {.rows = ROWS, .cols = COLS, .cells = cells};
    uint64_t seed = p->seed;
    assert_int_equal(sweep_new(s, FRAMES, PLACES, 1000, STEP, &why), 0);
    for (int32_t f = 0; f < FRAMES; f++) {
        uint64_t own = 7;
        const double at = 1000 + STEP * f + (p->position ? p->position[f] : 0);
        for (int32_t i = 0; i < PLACES; i++) {
            const double depth = 900 + 700 * uniform(&own), texture = 50 + 400 * uniform(&own);
            const double u = (at - depth - p->shift) / 33;
            const double e = (texture * exp(-u * u / 2) + 4) * (1 + p->noise * (uniform(&seed) - 0.5));
            cells[i] = (struct measure_cell){.laplacian_square[1] = (float)(e * 100), .count[1] = 100};
        }
        assert_int_equal(sweep_put(s, f, &m, &why), 0);
    }
}

static struct sweep_again again(const struct planted *pa, const struct planted *pb)
{
    struct sweep a, b;
    struct sweep_again out;
    struct err why = {0};
    drive(&a, pa);
    drive(&b, pb);
    assert_int_equal(sweep_again(&a, &b, &out, &why), 0);
    sweep_clear(&a);
    sweep_clear(&b);
    return out;
}

static void compare(const struct planted *pa, const struct planted *pb, struct sweep_shift *out)
{
    struct sweep a, b;
    struct err why = {0};
    drive(&a, pa);
    drive(&b, pb);
    assert_int_equal(sweep_compare(&a, &b, out, &why), 0);
    sweep_clear(&a);
    sweep_clear(&b);
}

static void a_planted_shift_is_found_within_its_uncertainty(void **state)
{
    (void)state;
    static const double shifts[] = {0, 0.6, -7.3, 20, 51.7, -88};
    for (size_t i = 0; i < sizeof shifts / sizeof *shifts; i++) {
        struct sweep_shift s;
        compare(&(struct planted){.noise = 0.05, .seed = 3}, &(struct planted){shifts[i], NULL, 0.05, 4}, &s);
        printf("measured: a shift of %.1f found %+.2f off, said %.2f, from %d places\n", shifts[i],
               s.shift - shifts[i], s.uncertainty, s.places);
        assert_near(s.shift, shifts[i], 4 * s.uncertainty);
        assert_near(s.shift, shifts[i], 0.5);
        const struct sweep_again g =
            again(&(struct planted){.noise = 0.05, .seed = 3}, &(struct planted){shifts[i], NULL, 0.05, 4});
        printf("measured: and by its pictures %+.2f off, said %.2f, from %d\n", g.shift - shifts[i],
               g.uncertainty, g.pictures);
        assert_near(g.shift, shifts[i], 4 * g.uncertainty + 0.01 * STEP); /* between frames it is a guess */
        assert_near(g.shift, shifts[i], 0.5);
        assert_near(s.width, 33 * 2.3548, 3); /* of a Gaussian: 2 sqrt(2 ln 2) sigma */
        assert_true(s.places > 100);
    }
}

/* Each position missed by 1.5 (one sigma): nothing but that is told, within what is said. */
static void what_each_position_is_missed_by_is_told(void **state)
{
    (void)state;
    enum { TIMES = 12 };
    double off[2][FRAMES], square = 0;
    struct sweep_again s;
    uint64_t seed = 11;
    int outside = 0;
    for (int t = 0; t < TIMES; t++) {
        for (int k = 0; k < 2; k++)
            for (int f = 0; f < FRAMES; f++) /* the sum of four uniforms, scaled to 1.5 */
                off[k][f] =
                    1.5 * sqrt(3) * (uniform(&seed) + uniform(&seed) + uniform(&seed) + uniform(&seed) - 2);
        s = again(&(struct planted){0, off[0], 0.02, 3}, &(struct planted){0, off[1], 0.02, 4});
        square += s.repeat * s.repeat / TIMES;
        outside += fabs(s.repeat - 1.5) > 2 * s.repeat_uncertainty;
    }
    const double still =
        again(&(struct planted){0, NULL, 0.02, 3}, &(struct planted){0, NULL, 0.02, 4}).repeat;
    printf("measured: positions missed by 1.5 (one sigma): told %.2f, each time within %.2f, %d of %d times "
           "twice that off; by none: %.2f\n",
           sqrt(square), s.repeat_uncertainty, outside, TIMES, still);
    assert_near(sqrt(square), 1.5, 0.3);
    assert_true(outside <= 2);
    assert_true(still < 0.1);
}

/* One picture: to a part of a step within the sweep, for its plane beyond it, and refused where nothing is
 * in focus. */
static void one_picture_is_placed_within_the_sweep(void **state)
{
    (void)state;
    static const double shifts[] = {0, 0.4, -3.3, 11, -57};
    struct sweep a, b;
    struct err why = {0};
    struct sweep_seen seen;
    drive(&a, &(struct planted){.noise = 0.05, .seed = 3});
    for (size_t i = 0; i < sizeof shifts / sizeof *shifts; i++) {
        drive(&b, &(struct planted){shifts[i], NULL, 0.05, 7 + i});
        for (int32_t k = 6; k < FRAMES - 6; k++) {
            assert_int_equal(sweep_place(&a, &b, k, &seen, &why), 0);
            if (k == 9)
                printf("measured: a picture %.1f off is found %+.2f off, said %.2f\n", shifts[i],
                       seen.shift - shifts[i], seen.uncertainty);
            assert_false(seen.beyond);
            assert_near(seen.shift, shifts[i], 5 * seen.uncertainty + 0.2);
            assert_true(seen.uncertainty < 1);
        }
        sweep_clear(&b);
    }
    drive(&b, &(struct planted){.shift = 5000, .seed = 2});
    assert_int_equal(sweep_place(&a, &b, 9, &seen, &why), E_INPUT);
    sweep_clear(&b);
    sweep_clear(&a);
}

static void what_never_comes_into_focus_is_refused(void **state)
{
    (void)state;
    struct sweep a, b;
    struct sweep_shift s = {.places = 77};
    struct err why = {0};
    drive(&a, &(struct planted){.seed = 1});
    drive(&b, &(struct planted){.shift = 5000, .seed = 2}); /* far away */
    assert_int_equal(sweep_compare(&a, &b, &s, &why), E_INPUT);
    assert_int_equal(s.places, 77);
    assert_non_null(strstr(why.text, "come into focus"));
    sweep_clear(&a);
    sweep_clear(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_planted_shift_is_found_within_its_uncertainty),
        cmocka_unit_test(what_each_position_is_missed_by_is_told),
        cmocka_unit_test(one_picture_is_placed_within_the_sweep),
        cmocka_unit_test(what_never_comes_into_focus_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
