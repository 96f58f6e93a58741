/* The main job from the job file to the hand-over, on a photograph with measured depth (aloeL.jpg,
 * aloeGT.png: Middlebury 2006, Scharstein and Pal, CVPR 2007), by the built program; the truth is the
 * world's. */
#include "tests/support/test.h"

#include "tests/support/main_job.h"
#include "tests/support/main_job_verbs.h"

static void every_textured_part_has_its_best_frame_in_the_hand_over(void **state)
{
    (void)state;
    struct done d;
    struct truth t;
    main_job_do(22, 1, 0, 1, 3, &d);
    truth_make(&d.s, &d.v, d.at.at_nm[0], MAIN_JOB_TEXTURE, &t);
    const struct verdict handed = {.useful_first = d.handed_first, .useful_last = d.handed_last};
    const double best = truth_best_frames_handed(&t, &d.at, &handed),
                 peaks = truth_peaks_near(&t, &d.at, &d.v);
    const int32_t excess = truth_excess(&t, &d.at, &handed);
    printf(
        "measured: by the verbs: %d of %d tiles textured, best frame handed over %.4f, peaks within a slice "
        "%.4f, %d frames beyond the useful ones, findings: %s\n",
        t.textured, t.rows * t.cols, best, peaks, excess, d.codes[0] ? d.codes : "-");
    assert_true(t.textured >= 0.6 * t.rows * t.cols);
    assert_true(best >= 0.99);
    assert_true(peaks >= 0.95);
    assert_true(excess <= 2 * d.v.margin + 2);
    assert_string_equal(d.codes, "");

    /* planted: labels shifted by two slices, and a hand-over that lost its deep half */
    for (int32_t k = 0; k < d.v.rows * d.v.cols; k++)
        d.v.tiles[k].peak[0] += 2;
    assert_true(truth_peaks_near(&t, &d.at, &d.v) < 0.95);
    const struct verdict half = {.useful_first = d.handed_first,
                                 .useful_last = (d.handed_first + d.handed_last) / 2};
    assert_true(truth_best_frames_handed(&t, &d.at, &half) < 0.99);
    truth_clear(&t);
    done_clear(&d);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_textured_part_has_its_best_frame_in_the_hand_over),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
