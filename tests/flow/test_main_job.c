/* The main job on a photograph with measured depth, one case; tests/long has the full list. Data set:
 * aloeL.jpg and aloeGT.png of the package opencv-doc, from Middlebury 2006 (Scharstein and Pal 2007). Truth
 * from the world only. */
#include "tests/support/main_job.h"
#include "tests/support/test.h"

static void a_whole_stack_is_told_right_and_not_blamed(void **state)
{
    (void)state;
    main_job_whole(1, 1, SHOTS_UNKNOWN);
}

static void planted_wrong_answers_are_noticed(void **state)
{
    (void)state;
    main_job_planted(1, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_whole_stack_is_told_right_and_not_blamed),
        cmocka_unit_test(planted_wrong_answers_are_noticed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
