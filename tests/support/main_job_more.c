#include "tests/support/main_job.h"

#include <string.h>

#include "base/mem.h"
#include "tests/support/test.h"

#define SPARE 4 /* frames before the nearest point */

/* ---- the hair ---- */

/* Share of hair in each tile, and where it is in focus (median): what has something behind it is the hair. */
static double find_hair(struct shoot *s, const struct verdict *v, int64_t at_nm, double *share)
{
    const int32_t width = s->bench.camera.width_px, height = s->bench.camera.height_px;
    const size_t pixels = (size_t)width * (size_t)height;
    float *front = mem_new(pixels, sizeof *front, NULL), *behind = mem_new(pixels, sizeof *behind, NULL);
    world_truth_focus(s->world, at_nm, 0, front);
    world_truth_focus(s->world, at_nm, 1, behind);
    double sum = 0;
    int32_t n = 0;
    for (int32_t y = 0; y < v->rows * v->tile_px && y < height; y++)
        for (int32_t x = 0; x < v->cols * v->tile_px && x < width; x++) {
            const size_t at = (size_t)y * (size_t)width + (size_t)x;
            if (isnan(behind[at]) || isnan(front[at])) continue;
            share[y / v->tile_px * v->cols + x / v->tile_px] += 1.0 / (v->tile_px * v->tile_px);
            sum += (double)front[at];
            n++;
        }
    mem_free(front);
    mem_free(behind);
    assert_true(n > 0);
    return sum / n;
}

void main_job_hair(double noise, uint64_t seed)
{
    struct shoot s;
    struct shots shots;
    struct verdict v = {0};
    shoot_open(&(struct shoot_opts){.clock = true, .noise = noise, .seed = seed}, &s);
    shoot_even(&s, -SPARE * s.spacing_nm, s.spacing_nm, 22 + 2 * SPARE, &shots);
    shots_check(&shots, SHOTS_PLANNED, &v);
    double *share = mem_new((size_t)(v.rows * v.cols), sizeof *share, NULL);
    const double at =
        (find_hair(&s, &v, shots.at_nm[0], share) - (double)shots.at_nm[0]) / (double)s.spacing_nm;
    int32_t hair = 0, shown = 0, several = 0;
    for (int32_t k = 0; k < v.rows * v.cols; k++) {
        if (share[k] < 0.05) continue;
        bool near = false;
        for (int32_t p = 0; p < v.tiles[k].peak_count; p++)
            near = near || fabs((double)v.tiles[k].peak[p] - at) <= 1.5;
        hair++;
        shown += near;
        several += near && v.tiles[k].peak_count > 1;
    }
    printf("measured: hair at frame %.1f, noise %g seed %d: useful %d-%d, peaks of %d of %d tiles show it, "
           "%d beside "
           "others\n",
           at, noise, (int)seed, v.useful_first, v.useful_last, shown, hair, several);
    assert_true(v.useful_first <= (int32_t)floor(at) && v.useful_last >= (int32_t)ceil(at));
    assert_true(2 * shown >= hair);
    assert_true(several > 0);
    mem_free(share);
    verdict_clear(&v);
    shots_clear(&shots);
    shoot_close(&s);
}

/* ---- planted wrong answers ---- */

void main_job_planted(double noise, uint64_t seed)
{
    struct shoot s;
    struct shots shots;
    struct verdict v = {0}, wrong = {0};
    struct truth t;
    shoot_open(&(struct shoot_opts){.noise = noise, .seed = seed}, &s);
    shoot_even(&s, -SPARE * s.spacing_nm, s.spacing_nm, 22 + 2 * SPARE, &shots);
    shots_check(&shots, SHOTS_UNKNOWN, &v);
    truth_make(&s, &v, shots.at_nm[0], MAIN_JOB_TEXTURE, &t);
    const int32_t last = v.useful_last;
    assert_true(truth_best_frames_handed(&t, &shots, &v) >= 0.99);
    assert_true(truth_excess(&t, &shots, &v) <= 2);
    v.useful_last = last - 5; /* the far end is not handed over */
    assert_true(truth_best_frames_handed(&t, &shots, &v) < 0.99);
    v.useful_last = last + 4; /* and too much is */
    assert_true(truth_excess(&t, &shots, &v) > 2);
    v.useful_last = last;
    assert_true(truth_peaks_near(&t, &shots, &v) >= 0.95);
    for (int32_t i = 0; i < shots.frames; i++) /* every label is two slices off */
        shots.at_nm[i] += 2 * s.spacing_nm;
    assert_true(truth_peaks_near(&t, &shots, &v) < 0.95);
    for (int32_t i = 0; i < shots.frames; i++)
        shots.at_nm[i] -= 2 * s.spacing_nm;
    const struct frame_measure *other = shots.list[20]; /* two frames exchanged under their labels */
    shots.list[20] = shots.list[24];
    shots.list[24] = other;
    shots_check(&shots, SHOTS_UNKNOWN, &wrong);
    const double peaks = truth_peaks_near(&t, &shots, &wrong);
    printf("measured: peaks within a slice with two frames exchanged: %.3f\n", peaks);
    assert_true(peaks < 0.95);
    /* Unsharp tiles: a verdict that tells none fails where the truth has some. */
    s.near_nm = 0;
    shots.frames = 20;
    const double beyond = truth_unsharp_after(&t, &shots, (double)s.spacing_nm / 2);
    assert_true(fabs(truth_told_unsharp_after(&t, &v) - beyond) > 0.03);
    shots.frames = 22 + 2 * SPARE;
    truth_clear(&t);
    verdict_clear(&wrong);
    verdict_clear(&v);
    shots_clear(&shots);
    shoot_close(&s);
}

/* ---- nothing wrong ---- */

static void count_clean(struct shoot *s, const struct shoot_frame *f, int32_t n, int planned,
                        struct clean_count *out)
{
    struct shots shots;
    struct verdict v = {0};
    char words[200];
    shoot_frames(s, f, n, &shots);
    shots_check(&shots, planned, &v);
    out->stacks++;
    if (main_job_blames(&v, words, sizeof words)) {
        out->blamed++;
        memcpy(out->words, words, sizeof words);
        printf("printed: a clean stack was blamed for: %s\n", words);
    }
    verdict_clear(&v);
    shots_clear(&shots);
}

void main_job_clean(const struct shoot_opts *o, double offset, struct clean_count *out)
{
    enum { N = 22 + 2 * SPARE };
    struct shoot s;
    struct shoot_frame f[N], back[N];
    shoot_open(o, &s);
    shoot_places(&s, -(int64_t)((SPARE - offset) * (double)s.spacing_nm), s.spacing_nm, N, f);
    for (int32_t i = 0; i < N; i++)
        back[i] = f[N - 1 - i];
    count_clean(&s, f, N, SHOTS_UNKNOWN, out);
    count_clean(&s, f, N, SHOTS_PLANNED, out);
    count_clean(&s, back, N, SHOTS_UNKNOWN, out);
    count_clean(&s, f + 2, N - 2, SHOTS_UNKNOWN, out);
    count_clean(&s, f, N - 2, SHOTS_UNKNOWN, out);
    shoot_close(&s);
}

/* ---- one bad frame ---- */

static void named(struct shoot *s, const struct shoot_frame *f, int32_t n, const char *what, int32_t frame)
{
    struct shots shots;
    struct verdict v = {0};
    char words[200];
    shoot_frames(s, f, n, &shots);
    shots_check(&shots, SHOTS_UNKNOWN, &v);
    const int32_t blames = main_job_blames(&v, words, sizeof words);
    const struct frame_list *lists[] = {&v.blurred, &v.shifted, &v.swapped, &v.repeated};
    const char *const names[] = {"blurred", "shifted", "swapped", "repeated"};
    bool found = false;
    for (size_t k = 0; k < sizeof names / sizeof *names; k++)
        if (strcmp(what, names[k]) == 0 && lists[k]->count == 1) found = lists[k]->rows[0] == frame;
    printf("measured: frame %d %s: %s; said: %s\n", frame, what, found ? "named" : "not named", words);
    assert_true(found);
    assert_int_equal(blames, 1);
    verdict_clear(&v);
    shots_clear(&shots);
}

void main_job_bad_frames(double noise, uint64_t seed)
{
    enum { N = 22 + 2 * SPARE, AT = 18 };
    struct shoot s;
    struct shoot_frame f[N];
    shoot_open(&(struct shoot_opts){.noise = noise, .seed = seed}, &s);
    shoot_places(&s, -SPARE * s.spacing_nm, s.spacing_nm, N, f);
    f[AT].shake_px = 3;
    named(&s, f, N, "blurred", AT);
    f[AT].shake_px = 0;
    f[AT].shift_px = 1;
    named(&s, f, N, "shifted", AT);
    f[AT].shift_px = 0;
    const struct shoot_frame one = f[AT], next = f[AT + 1];
    f[AT] = next;
    f[AT + 1] = one;
    named(&s, f, N, "swapped", AT);
    f[AT] = one;
    f[AT + 1] = next;
    memmove(f + AT + 1, f + AT, (size_t)(N - AT - 1) * sizeof *f);
    f[AT + 1].again = 1;
    named(&s, f, N, "repeated", AT + 1);
    shoot_close(&s);
}
