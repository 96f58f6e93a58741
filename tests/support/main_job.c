#include "tests/support/main_job.h"

#include <string.h>

#include "base/mem.h"
#include "tests/support/test.h"

#define SPARE 4 /* frames before the nearest point */

static void add_blame(char *words, size_t room, const char *word, int32_t n, int32_t *sum)
{
    const size_t used = strlen(words);
    if (n > 0) snprintf(words + used, room - used, "%s%s %d", used ? ", " : "", word, n);
    *sum += n;
}

static int32_t said(const struct verdict *v, const char *code)
{
    for (int32_t i = 0; i < v->findings.count; i++)
        if (strcmp(v->findings.rows[i].code, code) == 0) return 1;
    return 0;
}

int32_t main_job_blames(const struct verdict *v, char *words, size_t room)
{
    int32_t sum = 0;
    words[0] = 0;
    add_blame(words, room, "gaps", v->gap_count, &sum);
    add_blame(words, room, "blurred", v->blurred.count, &sum);
    add_blame(words, room, "shifted", v->shifted.count, &sum);
    add_blame(words, room, "swapped", v->swapped.count, &sum);
    add_blame(words, room, "repeated", v->repeated.count, &sum);
    add_blame(words, room, "jumps", v->light.jump_count, &sum);
    add_blame(words, room, "scatter", said(v, "light-scatter"), &sum);
    add_blame(words, room, "near", said(v, "too-short-near"), &sum);
    add_blame(words, room, "far", said(v, "too-short-far"), &sum);
    add_blame(words, room, "wide", said(v, "wide-spacing"), &sum);
    return sum;
}

void main_job_whole(double noise, uint64_t seed, int planned)
{
    struct shoot s;
    struct shots shots;
    struct verdict v = {0};
    struct truth t;
    char words[200];
    shoot_open(&(struct shoot_opts){.noise = noise, .seed = seed}, &s);
    shoot_even(&s, -SPARE * s.spacing_nm, s.spacing_nm, 22 + 2 * SPARE, &shots);
    shots_check(&shots, planned, &v);
    truth_make(&s, &v, shots.at_nm[0], MAIN_JOB_TEXTURE, &t);
    const double handed = truth_best_frames_handed(&t, &shots, &v), peaks = truth_peaks_near(&t, &shots, &v);
    const int32_t excess = truth_excess(&t, &shots, &v), blames = main_job_blames(&v, words, sizeof words);
    printf(
        "measured: noise %g seed %d %s: %d of %d tiles textured, best frame handed over %.4f, peaks within a "
        "slice %.4f, "
        "%d frames too many, blamed: %s\n",
        noise, (int)seed, planned ? "planned" : "imported", t.textured, t.rows * t.cols, handed, peaks,
        excess, blames ? words : "-");
    assert_true(t.textured >= 0.6 * t.rows * t.cols);
    assert_true(handed >= 0.99);
    assert_true(peaks >= 0.95);
    assert_true(excess <= 2);
    assert_int_equal(blames, 0);
    truth_clear(&t);
    verdict_clear(&v);
    shots_clear(&shots);
    shoot_close(&s);
}

/* Median depth of the farthest textured tile. */
static double farthest(const struct truth *t)
{
    double far = -INFINITY;
    for (int32_t k = 0; k < t->rows * t->cols; k++)
        if (t->tiles[k].textured) far = fmax(far, t->tiles[k].middle_nm);
    return far;
}

/* Frames so that the last one stands end_nm; check and truth of that. */
static void shoot_until(struct shoot *s, int64_t end_nm, struct shots *shots, struct verdict *v,
                        struct truth *t)
{
    const int32_t n = (int32_t)((end_nm + SPARE * s->spacing_nm) / s->spacing_nm) + 1;
    shoot_even(s, end_nm - (n - 1) * s->spacing_nm, s->spacing_nm, n, shots);
    shots_check(shots, SHOTS_UNKNOWN, v);
    truth_make(s, v, shots->at_nm[0], MAIN_JOB_TEXTURE, t);
}

static double find_farthest(struct shoot *s)
{
    struct shots shots;
    struct verdict v = {0};
    struct truth t;
    shoot_even(s, 0, s->spacing_nm, 3, &shots);
    shots_check(&shots, SHOTS_UNKNOWN, &v); /* for its grid alone */
    truth_make(s, &v, 0, MAIN_JOB_TEXTURE, &t);
    const double far = farthest(&t);
    truth_clear(&t);
    verdict_clear(&v);
    shots_clear(&shots);
    return far;
}

void main_job_too_short(double noise, uint64_t seed, double blur_px)
{
    struct shoot s;
    struct shots shots;
    struct verdict v = {0};
    struct truth t;
    shoot_open(&(struct shoot_opts){.noise = noise, .seed = seed}, &s);
    const double far = find_farthest(&s);
    shoot_until(&s, (int64_t)(far - blur_px / s.blur_px_per_nm), &shots, &v, &t);
    const double truth = truth_unsharp_after(&t, &shots, (double)s.spacing_nm / 2);
    const double told = truth_told_unsharp_after(&t, &v);
    printf("measured: far end %g px short, noise %g seed %d: sharp in no frame, true %.3f, told %.3f of the "
           "same tiles, "
           "%.3f of all; near %.3f\n",
           blur_px, noise, (int)seed, truth, told, v.unsharp_after_fraction, v.unsharp_before_fraction);
    assert_near(v.unsharp_after_fraction, truth, 0.03);
    assert_near(told, truth, 0.035);
    assert_near(v.unsharp_before_fraction, 0, 0.01);
    assert_true(said(&v, "too-short-far"));
    assert_false(said(&v, "too-short-near"));
    truth_clear(&t);
    verdict_clear(&v);
    shots_clear(&shots);
    shoot_close(&s);
}

void main_job_far_too_short(double noise, uint64_t seed)
{
    struct shoot s;
    struct shots shots;
    struct verdict v = {0};
    struct truth t;
    shoot_open(&(struct shoot_opts){.noise = noise, .seed = seed}, &s);
    const double far = find_farthest(&s);
    shoot_until(&s, (int64_t)(far - 40 / s.blur_px_per_nm), &shots, &v, &t);
    const double truth = truth_unsharp_after(&t, &shots, (double)s.spacing_nm / 2);
    printf("measured: far end 40 px short, noise %g seed %d: sharp in no frame, told %.3f, true %.3f; near "
           "%.3f; no "
           "texture %.3f\n",
           noise, (int)seed, v.unsharp_after_fraction, truth, v.unsharp_before_fraction,
           1 - v.textured_fraction);
    assert_true(v.unsharp_after_fraction >= truth / 2);
    assert_true(v.unsharp_before_fraction < 0.02);
    assert_true(said(&v, "too-short-far"));
    truth_clear(&t);
    verdict_clear(&v);
    shots_clear(&shots);
    shoot_close(&s);
}

void main_job_too_far(double noise, uint64_t seed, double times)
{
    struct shoot s;
    struct shots shots;
    struct verdict v = {0};
    struct truth t;
    int32_t first, last;
    const int32_t slices = 14;
    shoot_open(&(struct shoot_opts){.noise = noise, .seed = seed, .slices = slices}, &s);
    shoot_even(&s, -s.spacing_nm, s.spacing_nm, 1 + (int32_t)((1 + times) * slices), &shots);
    shots_check(&shots, SHOTS_UNKNOWN, &v);
    truth_make(&s, &v, shots.at_nm[0], MAIN_JOB_TEXTURE, &t);
    truth_useful(&t, &shots, &first, &last);
    printf("measured: %g %% too far, noise %g seed %d: %d frames, useful %d-%d, true %d-%d\n", 100 * times,
           noise, (int)seed, v.frames, v.useful_first, v.useful_last, first, last);
    const int32_t told = v.frames - (v.useful_last - v.useful_first + 1),
                  wanted = v.frames - (last - first + 1);
    assert_true(abs(told - wanted) <= 2);
    assert_true(abs(v.useful_last - last) <= 2);
    truth_clear(&t);
    verdict_clear(&v);
    shots_clear(&shots);
    shoot_close(&s);
}

void main_job_gap(double noise, uint64_t seed, int32_t after, int32_t missing)
{
    struct shoot s;
    struct shots shots;
    struct verdict v = {0};
    struct shoot_frame f[40];
    char words[200];
    shoot_open(&(struct shoot_opts){.noise = noise, .seed = seed}, &s);
    shoot_places(&s, -SPARE * s.spacing_nm, s.spacing_nm, 40, f);
    memmove(f + after + 1, f + after + 1 + missing, (size_t)(28 - after - missing) * sizeof *f);
    shoot_frames(&s, f, 29 - missing, &shots);
    shots_check(&shots, SHOTS_UNKNOWN, &v);
    const int32_t blames = main_job_blames(&v, words, sizeof words);
    printf(
        "measured: %d frames missing after %d, noise %g seed %d: gap after %d of %d, %d places; said: %s\n",
        missing, after, noise, (int)seed, v.gap_count ? v.gaps[0].after : -1,
        v.gap_count ? v.gaps[0].missing : 0, v.gap_count ? v.gaps[0].tiles : 0, words);
    assert_int_equal(v.gap_count, 1);
    assert_int_equal(v.gaps[0].after, after);
    assert_true(abs(v.gaps[0].missing - missing) <= (missing + 1) / 2);
    assert_int_equal(blames, 1);
    verdict_clear(&v);
    shots_clear(&shots);
    shoot_close(&s);
}

void main_job_dense(double noise, uint64_t seed)
{
    struct shoot s;
    char words[200];
    shoot_open(&(struct shoot_opts){.noise = noise, .seed = seed, .slices = 12}, &s);
    for (int32_t every = 1; every <= 2; every++) {
        struct shots shots;
        struct verdict v = {0};
        shoot_even(&s, -s.spacing_nm, s.spacing_nm / 2 * every, 28 / every, &shots);
        shots_check(&shots, SHOTS_UNKNOWN, &v);
        const int32_t blames = main_job_blames(&v, words, sizeof words);
        printf("measured: every %s frame of a dense stack, noise %g seed %d: gaps %d, blamed: %s\n",
               every == 1 ? "" : "second", noise, (int)seed, v.gap_count, blames ? words : "-");
        assert_int_equal(blames, 0);
        verdict_clear(&v);
        shots_clear(&shots);
    }
    shoot_close(&s);
}
