/* Two depths at one place, and light that comes from no depth of the subject: a transparent wing, a hair
 * before the body, sparkle; each right, wrong and borderline (tests/support/hard.h). */
#include <string.h>

#include "tests/support/hard.h"
#include "tests/support/test.h"
#include "tests/support/veil.h"

/* ---- a wing ---- */

enum {
    WING = 4,
    BODY = 12,
    N = BODY + HARD_SLICES + HARD_SPARE
}; /* frames: on the wing, on the body's nearest */

static double line(double v, double apart, double half)
{
    const double off = fabs(v - apart * floor(v / apart) - apart / 2);
    return fmin(fmax(half + 0.5 - off, 0), 1);
}

static bool in_wing(double x, double y)
{
    return (x - 160) * (x - 160) / (125.0 * 125) + (y - 175) * (y - 175) / (115.0 * 115) < 1;
}

/* Veins along and across, some 26 px apart, 1.5 px wide. */
static double veins(double x, double y)
{
    if (!in_wing(x, y)) return 0;
    const double row = y + 12 * sin(x / 60), along = line(row, 26, 0.8);
    const double across = line(x + 9 * sin(y / 40) + 15 * fmod(floor(row / 26), 2), 31, 0.7);
    return fmax(along, across);
}

static void open_wing(struct hard *h, struct veil *veil, double strength)
{
    const struct shoot_scene scene = hard_aloe();
    hard_open(h, &scene);
    shoot_places(&h->s, -BODY * h->s.spacing_nm, h->s.spacing_nm, N, h->f);
    *veil = (struct veil){.taken = veins, .strength = strength};
    veil->at_nm = (WING - BODY + 0.2) * (double)h->s.spacing_nm;
    veil_on(&h->s, veil);
}

static bool whole_tile_in_wing(const struct verdict *v, int32_t tile)
{
    const double x = tile % v->cols * v->tile_px, y = tile / v->cols * v->tile_px, d = v->tile_px;
    return in_wing(x, y) && in_wing(x + d, y) && in_wing(x, y + d) && in_wing(x + d, y + d);
}

static bool peak_near(const struct tile_verdict *t, double from, double to)
{
    for (int32_t k = 0; k < t->peak_count; k++)
        if ((double)t->peak[k] >= from && (double)t->peak[k] <= to) return true;
    return false;
}

struct both {
    int32_t tiles, covered, wing, body, both;
};

static struct both count_both(const struct hard *h)
{
    struct both n = {0};
    for (int32_t i = 0; i < h->v.rows * h->v.cols; i++) {
        const struct tile_verdict *t = &h->v.tiles[i];
        if (!whole_tile_in_wing(&h->v, i)) continue;
        const bool wing = peak_near(t, WING - 1, WING + 1.5), body = peak_near(t, BODY - 1, N);
        n.tiles++;
        n.covered += t->state == TILE_COVERED;
        n.wing += wing;
        n.body += body;
        n.both += wing && body;
    }
    return n;
}

static void a_wing_and_what_lies_behind_are_both_covered(void **state)
{
    (void)state;
    struct hard h;
    struct veil veil;
    open_wing(&h, &veil, 0.7);
    hard_judge(&h, 0, N, "wing 8 slices before the body");
    const struct both n = count_both(&h);
    printf("measured: of %d tiles behind the wing %d are covered; wing seen in %d, body in %d, both in %d\n",
           n.tiles, n.covered, n.wing, n.body, n.both);
    assert_int_equal(hard_blames(&h), 0);
    assert_int_equal(n.covered, n.tiles);
    assert_true(n.wing >= 0.95 * n.tiles && n.both >= 0.8 * n.tiles);
    assert_true(h.v.useful_first <= WING && h.v.useful_last >= N - HARD_SPARE - 2);
    hard_close(&h);
}

static void leave_out(struct hard *h, int32_t frame, int32_t n)
{
    memmove(h->f + frame, h->f + frame + 1, (size_t)(n - frame - 1) * sizeof *h->f);
}

static void a_missing_frame_of_a_wing_is_told(void **state)
{
    (void)state;
    struct hard h;
    struct veil veil;
    open_wing(&h, &veil, 0.7);
    hard_judge(&h, WING + 2, N - WING - 2, "stack begins two frames behind the wing");
    assert_true(hard_said(&h, "too-short-near") && hard_said(&h, "too-short-near")->grave);
    hard_judge(&h, WING + 4, N - WING - 4, "stack begins four frames behind the wing");
    assert_true(hard_said(&h, "too-short-near") && hard_said(&h, "too-short-near")->grave);
    hard_judge(&h, WING, N - WING, "borderline: stack begins on the wing");
    assert_int_equal(hard_blames(&h), 0);
    leave_out(&h, WING, N);
    hard_judge(&h, 0, N - 1, "the wing's frame missing");
    assert_true(hard_names(&h, "gap", WING - 1) && h.v.gaps[0].missing == 1);
    leave_out(&h, WING, N - 1);
    hard_judge(&h, 0, N - 2, "the wing's frame and the next missing");
    assert_true(hard_names(&h, "gap", WING - 1) && hard_said(&h, "gap")->grave);
    assert_int_equal(h.v.gaps[0].missing, 2);
    printf("measured: with two frames of the wing missing %d tiles are told sharp in none\n",
           (int)h.v.gaps[0].tiles);
    assert_true(h.v.gaps[0].tiles >= 60); /* of the 90 and those that it covers in part */
    hard_close(&h);
    open_wing(&h, &veil, 0.05);
    hard_judge(&h, 0, N, "borderline: veins that take 5 % of the light");
    assert_int_equal(hard_blames(&h), 0);
    hard_close(&h);
}

/* ---- sparkle ---- */

enum { GLINTS = 24, SPARKLING = HARD_FRAMES };

/* Half of them come to a focus six slices beyond the far end, where no frame is; they wander by half a pixel
 * a slice. */
static void make_glints(const struct hard *h, struct glint *g, int32_t n)
{
    uint32_t hash = 4711;
    for (int32_t i = 0; i < n; i++) {
        hash = hash * 1664525u + 1013904223u; /* Numerical Recipes, from memory */
        const double x = (hash >> 8) % 380 + 10.0, y = (hash >> 19) % 320 + 10.0;
        const double slice = i % 2 ? HARD_SLICES + 9.0 : i * (double)HARD_SLICES / n;
        g[i] = (struct glint){x, y, slice * (double)h->s.spacing_nm, i % 3 ? 0.5 : -0.5, 40};
    }
}

static void open_sparkling(struct hard *h, struct veil *veil, struct glint *glints, int32_t n, int32_t larger)
{
    struct shoot_scene scene = hard_aloe();
    scene.width_px *= larger;
    scene.height_px *= larger;
    hard_open(h, &scene);
    make_glints(h, glints, n);
    *veil = (struct veil){.glint = glints, .glints = n};
    veil_on(&h->s, veil);
}

static void sparkle_is_no_subject_no_shake_and_no_gap(void **state)
{
    (void)state;
    struct glint glints[GLINTS];
    struct veil veil;
    struct hard h;
    for (int32_t n = 6; n <= GLINTS; n *= 2) {
        char what[80];
        snprintf(what, sizeof what, "%s%d glints that wander", n < GLINTS ? "" : "borderline: ", (int)n);
        open_sparkling(&h, &veil, glints, n, 1);
        hard_judge(&h, 0, SPARKLING, what);
        assert_int_equal(hard_blames(&h), 0);
        hard_close(&h);
    }
}

static void sparkle_hides_no_fault(void **state)
{
    (void)state;
    enum { AT = 18 };
    struct glint glints[GLINTS];
    struct veil veil;
    struct hard h;
    open_sparkling(&h, &veil, glints, GLINTS / 2, 1);
    hard_judge(&h, 0, SPARKLING - 12, "glints, and the stack ends eight slices early");
    assert_true(hard_said(&h, "too-short-far") && hard_said(&h, "too-short-far")->grave);
    leave_out(&h, AT, SPARKLING);
    leave_out(&h, AT, SPARKLING - 1);
    hard_judge(&h, 0, SPARKLING - 2, "glints, and frames 19 and 20 missing");
    assert_true(hard_names(&h, "gap", AT - 1));
    hard_close(&h);
    /* A shake is told by a few dozen tiles in focus: so many has a larger picture. */
    open_sparkling(&h, &veil, glints, GLINTS / 2, 2);
    hard_judge(&h, AT - 7, 15, "glints, larger, some frames around frame 19");
    assert_int_equal(h.v.blurred.count, 0);
    h.f[AT].shake_px = 4;
    hard_judge(&h, AT - 7, 15, "glints, larger, and frame 19 shaken by 4 px");
    assert_true(hard_names(&h, "blurred", 7) && h.v.blurred.count == 1);
    hard_close(&h);
}

/* ---- a hair ---- */

/* The demo's scene: a hair lies across before the movement; where, the world's depth says: it is what has
 * something behind it. */
static double hair_at(const struct hard *h)
{
    const int32_t w = h->s.bench.camera.width_px, high = h->s.bench.camera.height_px;
    float *front = malloc(sizeof *front * (size_t)(w * high)),
          *behind = malloc(sizeof *behind * (size_t)(w * high));
    double sum = 0;
    int32_t n = 0;
    world_truth_focus(h->s.world, h->f[0].at_nm, 0, front);
    world_truth_focus(h->s.world, h->f[0].at_nm, 1, behind);
    for (int32_t i = 0; i < w * high; i++)
        if (!isnan(behind[i])) {
            sum += (double)front[i];
            n++;
        }
    free(front);
    free(behind);
    assert_true(n > 100);
    return (sum / n - (double)h->f[0].at_nm) / (double)h->s.spacing_nm;
}

static void a_hair_before_the_body_is_seen_and_missed(void **state)
{
    (void)state;
    struct hard h;
    hard_open(&h, NULL);
    const double at = hair_at(&h);
    const int32_t before = (int32_t)floor(at), n = HARD_FRAMES;
    printf("measured: the hair is in focus at frame %.2f\n", at + 1);
    hard_judge(&h, 0, n, "hair before the movement");
    assert_int_equal(hard_blames(&h), 0);
    assert_true(h.v.useful_first <= before);
    hard_judge(&h, before, n - before, "borderline: stack begins at the frame before the hair");
    assert_int_equal(hard_blames(&h), 0);
    hard_judge(&h, before + 3, n - before - 3, "stack begins two frames behind the hair");
    assert_true(hard_said(&h, "too-short-near") && hard_said(&h, "too-short-near")->grave);
    hard_judge(&h, before + 4, n - before - 4, "stack begins three frames behind the hair");
    assert_true(hard_said(&h, "too-short-near") && hard_said(&h, "too-short-near")->grave);
    leave_out(&h, before, n);
    leave_out(&h, before, n - 1);
    hard_judge(&h, 0, n - 2, "the two frames of the hair missing");
    assert_true(hard_names(&h, "gap", before - 1) && hard_said(&h, "gap")->grave);
    printf("measured: with the hair's two frames missing %d places are told sharp in none\n",
           (int)h.v.gaps[0].tiles);
    hard_close(&h);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_wing_and_what_lies_behind_are_both_covered),
        cmocka_unit_test(a_missing_frame_of_a_wing_is_told),
        cmocka_unit_test(sparkle_is_no_subject_no_shake_and_no_gap),
        cmocka_unit_test(sparkle_hides_no_fault),
        cmocka_unit_test(a_hair_before_the_body_is_seen_and_missed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
