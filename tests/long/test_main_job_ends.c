/* Ends set too short and too far. Data set: aloeL.jpg and aloeGT.png of the package opencv-doc,
 * from Middlebury 2006 (Scharstein and Pal 2007). */
#include "tests/support/main_job.h"
#include "tests/support/test.h"

static const double noises[] = {1, 2, 4};

static void a_far_end_too_short_is_told_with_its_share(void **state)
{
    (void)state;
    for (int n = 0; n < 3; n++)
        for (int px = 8; px <= 16; px += 8)
            main_job_too_short(noises[n], (uint64_t)(1 + n % 2), px);
}

static void a_far_end_much_too_short_is_told_on_its_side(void **state)
{
    (void)state;
    for (int n = 0; n < 3; n++)
        main_job_far_too_short(noises[n], 1);
}

static void frames_beyond_the_subject_are_told_within_two(void **state)
{
    (void)state;
    for (int n = 0; n < 3; n++) {
        main_job_too_far(noises[n], 1, 0.5);
        main_job_too_far(noises[n], 1, 1);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_far_end_too_short_is_told_with_its_share),
        cmocka_unit_test(a_far_end_much_too_short_is_told_on_its_side),
        cmocka_unit_test(frames_beyond_the_subject_are_told_within_two),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
