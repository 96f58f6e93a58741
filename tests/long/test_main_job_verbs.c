/* The far mark set wrongly, from the job file to the hand-over, by the built program (data: see
 * flow/test_main_job_verbs.c). That 65 frames were guessed where 32 were useful is a fact of the trade, no
 * source. */
#include "tests/support/test.h"

#include "tests/support/main_job.h"
#include "tests/support/main_job_verbs.h"

static void too_far(double times, double noise, uint64_t seed)
{
    struct done d;
    struct truth t;
    int32_t first, last;
    main_job_do(14, times, 0, noise, seed, &d);
    truth_make(&d.s, &d.v, d.at.at_nm[0], MAIN_JOB_TEXTURE, &t);
    truth_useful(&t, &d.at, &first, &last);
    printf("measured: by the verbs: %g times as deep, noise %g seed %d: %d frames, useful by the truth %d to "
           "%d, "
           "told %d to %d, handed over %d to %d\n",
           times, noise, (int)seed, d.at.frames, first, last, d.v.useful_first, d.v.useful_last,
           d.handed_first, d.handed_last);
    assert_true(abs(d.v.useful_first - first) <= 2);
    assert_true(abs(d.v.useful_last - last) <= 2);
    assert_true(d.handed_last <= last + d.v.margin + 2);
    assert_true(d.handed_last >= last);
    truth_clear(&t);
    done_clear(&d);
}

static void a_mark_half_too_far_leaves_the_rest_out(void **state)
{
    (void)state;
    too_far(1.5, 1, 1);
    too_far(1.5, 4, 2);
}

static void a_mark_twice_as_far_leaves_the_rest_out(void **state)
{
    (void)state;
    too_far(2, 1, 1);
    too_far(2, 2, 2);
}

static void a_mark_too_near_is_told_with_its_share(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 2; seed++) {
        struct done d;
        struct truth t;
        main_job_do(22, 1, 16, 1, seed, &d);
        truth_make(&d.s, &d.v, d.at.at_nm[0], MAIN_JOB_TEXTURE, &t);
        const double truth = truth_unsharp_after(&t, &d.at, (double)d.s.spacing_nm / 2);
        printf(
            "measured: by the verbs: far mark too near, seed %d: sharp in no frame, true %.3f, told %.3f\n",
            (int)seed, truth, d.v.unsharp_after_fraction);
        assert_true(truth > 0.1);
        assert_near(d.v.unsharp_after_fraction, truth, 0.03);
        assert_near(d.v.unsharp_before_fraction, 0, 0.01);
        assert_non_null(strstr(d.codes, "too-short-far "));
        assert_null(strstr(d.codes, "too-short-near "));
        assert_int_equal(d.handed_last, d.at.frames - 1);
        truth_clear(&t);
        done_clear(&d);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_mark_half_too_far_leaves_the_rest_out),
        cmocka_unit_test(a_mark_twice_as_far_leaves_the_rest_out),
        cmocka_unit_test(a_mark_too_near_is_told_with_its_share),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
