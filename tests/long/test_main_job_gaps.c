/* Frames left out, and none left out. Data set: aloeL.jpg and aloeGT.png of the package opencv-doc,
 * from Middlebury 2006 (Scharstein and Pal 2007). */
#include "tests/support/main_job.h"
#include "tests/support/test.h"

static const double noises[] = {1, 2, 4};

static void middle_frames_left_out_are_a_gap_at_their_place(void **state)
{
    (void)state;
    for (int n = 0; n < 3; n++) {
        main_job_gap(noises[n], 1, 14, 2);
        main_job_gap(noises[n], 2, 18, 3);
        main_job_gap(noises[n], 1, 8, 4);
    }
}

static void every_second_frame_of_a_dense_stack_is_no_gap(void **state)
{
    (void)state;
    main_job_dense(1, 1);
    main_job_dense(4, 2);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(middle_frames_left_out_are_a_gap_at_their_place),
        cmocka_unit_test(every_second_frame_of_a_dense_stack_is_no_gap),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
