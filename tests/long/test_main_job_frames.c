/* One bad frame, the hair of the demo scene, and stacks in which nothing is wrong. Data set: aloeL.jpg and
 * aloeGT.png of the package opencv-doc, from Middlebury 2006 (Scharstein and Pal 2007). */
#include "tests/support/main_job.h"
#include "tests/support/test.h"

static const double noises[] = {1, 2, 4};

static void a_bad_frame_is_named_and_no_other(void **state)
{
    (void)state;
    main_job_bad_frames(1, 1);
    main_job_bad_frames(2, 2);
}

static void the_hair_keeps_its_own_frame(void **state)
{
    (void)state;
    for (int n = 0; n < 3; n++)
        main_job_hair(noises[n], 7);
}

static void clean_stacks_are_not_blamed(void **state)
{
    (void)state;
    struct clean_count count = {0};
    for (int n = 0; n < 3; n++) {
        main_job_clean(&(struct shoot_opts){.noise = noises[n], .seed = (uint64_t)n + 3}, n / 3.0, &count);
        main_job_clean(&(struct shoot_opts){.noise = noises[n], .seed = (uint64_t)n + 3, .clock = true},
                       n / 3.0, &count);
    }
    printf("measured: clean stacks blamed: %d of %d\n", count.blamed, count.stacks);
    assert_true(count.blamed * 20 <= count.stacks);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_bad_frame_is_named_and_no_other),
        cmocka_unit_test(the_hair_keeps_its_own_frame),
        cmocka_unit_test(clean_stacks_are_not_blamed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
