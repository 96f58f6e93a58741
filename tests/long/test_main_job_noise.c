/* Whole stacks at three levels of noise, two seeds, with and without a plan. Data set: aloeL.jpg and
 * aloeGT.png of the package opencv-doc, from Middlebury 2006 (Scharstein and Pal 2007). */
#include "tests/support/main_job.h"
#include "tests/support/test.h"

static const double noises[] = {1, 2, 4};

static void every_textured_tile_has_its_best_frame_handed_over(void **state)
{
    (void)state;
    for (int n = 0; n < 3; n++)
        for (uint64_t seed = 1; seed <= 2; seed++)
            main_job_whole(noises[n], seed, n % 2 ? SHOTS_PLANNED : SHOTS_UNKNOWN);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_textured_tile_has_its_best_frame_handed_over),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
