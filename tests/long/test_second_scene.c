/* The main job on a second photograph with measured depth: the motorcycle of Middlebury 2014 (Scharstein et
 * al., GCPR 2014; see second_scene.h). Thin spokes, cables and a bench in front of far things: half of
 * the tiles have more than one depth. */
#include "base/mem.h"
#include "tests/support/main_job.h"
#include "tests/support/second_scene.h"
#include "tests/support/test.h"

static void whole(double noise, uint64_t seed, int planned)
{
    const struct shoot_scene scene = second_scene();
    struct shoot s;
    struct shots shots;
    struct verdict v = {0};
    struct truth t;
    char words[200];
    int32_t ones;
    shoot_open(&(struct shoot_opts){.scene = &scene, .noise = noise, .seed = seed}, &s);
    shoot_even(&s, -4 * s.spacing_nm, s.spacing_nm, 22 + 8, &shots);
    shots_check(&shots, planned, &v);
    truth_make(&s, &v, shots.at_nm[0], MAIN_JOB_TEXTURE, &t);
    const double one = truth_peaks_near_one(&t, &shots, &v, &ones), all = truth_peaks_near(&t, &shots, &v);
    const double handed = truth_best_frames_handed(&t, &shots, &v);
    const int32_t blames = main_job_blames(&v, words, sizeof words);
    printf("measured: second scene, noise %g seed %d %s: %d of %d tiles textured, %d with one depth; peaks "
           "within a "
           "slice %.4f of these, %.4f of all; best frame handed over %.4f, %d frames too many, blamed: %s\n",
           noise, (int)seed, planned ? "planned" : "imported", t.textured, t.rows * t.cols, ones, one, all,
           handed, truth_excess(&t, &shots, &v), blames ? words : "-");
    assert_true(ones >= 200);
    assert_true(one >= 0.95);
    assert_true(handed >= 0.99);
    assert_true(truth_excess(&t, &shots, &v) <= 2);
    assert_int_equal(blames, 0);
    for (int32_t i = 0; i < shots.frames; i++) /* a wrong answer: every label two slices off */
        shots.at_nm[i] += 2 * s.spacing_nm;
    assert_true(truth_peaks_near_one(&t, &shots, &v, &ones) < 0.5);
    truth_clear(&t);
    verdict_clear(&v);
    shots_clear(&shots);
    shoot_close(&s);
}

static void peaks_lie_within_a_slice_where_there_is_one_depth(void **state)
{
    (void)state;
    whole(1, 1, SHOTS_UNKNOWN);
    whole(2, 2, SHOTS_PLANNED);
    whole(4, 3, SHOTS_UNKNOWN);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(peaks_lie_within_a_slice_where_there_is_one_depth),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
