#include "check/quiet_loss.h"

#include <math.h>

#include "check/robust.h"

#define FOCUS_WITHIN 1.6  /* spacings: as for frames against each other (frames.c) */
#define NEAR_LEAST   0.15 /* of a frame's weight: below, the other one says it all */

/* Is the place of the quiet frame a little off, tiles nearer than it have lost what deeper ones have gained:
 * so the middle of both sides counts, and how far they are apart is its error. Of a wall, all on one side, so
 * much off the place may be. */
#define SIDE_LEAST  8   /* tiles */
#define APART_SHARE 0.2 /* of it is left in the middle: the sides are not each other's mirror */
#define PLACE_OFF   0.2 /* spacings; found so far off on clean stacks of little texture and much noise */

static double median_and_error(double *v, int32_t n, double *error)
{
    const double middle = robust_median(v, n);
    *error = sqrt(M_PI / 2) * robust_sigma(v, n) / sqrt(n); /* of a Gaussian's median */
    return middle;
}

/* ln energy of one tile in frame i over the quiet frame's at `at`, each at its own distance from focus. */
static double tile_loss(const struct look *l, int scale, int32_t tile, int32_t i, double at)
{
    const struct work *w = l->w;
    if (isnan(l->peak[tile])) return NAN;
    const double focus = frames_place(w->z, l->peak[tile]);
    const double u = w->z[i] - focus, v = frames_place(w->z, at) - focus;
    if (fabs(u) > FOCUS_WITHIN || fabs(v) > FOCUS_WITHIN) return NAN;
    return look_stack_log(l, scale, tile, i) - shape_log(&w->shape, scale, u) -
           (look_log(l, scale, tile) - shape_log(&w->shape, scale, v));
}

/* All tiles together, each as much as any other: alone, most have texture in a few directions. */
static void lose_ways(const struct look *l, int32_t i, double at, struct quiet_loss *out)
{
    const struct tiles *t = &l->w->tiles;
    double *cosine = l->room, *sine = l->room + t->count, other;
    double before[MEASURE_DIRECTIONS] = {0}, after[MEASURE_DIRECTIONS] = {0};
    int32_t n = 0;
    for (int32_t tile = 0; tile < t->count; tile++) {
        double quiet[MEASURE_DIRECTIONS], frame[MEASURE_DIRECTIONS];
        const double less = tile_loss(l, 1, tile, i, at), all = (double)l->seen[tile].direction[0];
        if (isnan(less) || !(all > 0) || !tiles_by_direction(l->seen[tile].direction, quiet) ||
            !tiles_directions(t, tile, i, frame) ||
            !frames_direction_change(quiet, frame, &cosine[n], &sine[n]))
            continue;
        for (int d = 0; d < MEASURE_DIRECTIONS; d++) {
            before[d] += quiet[d] / all;
            after[d] += frame[d] / all;
        }
        n++;
    }
    out->tiles = n;
    median_and_error(cosine, n, &out->ways_error);
    median_and_error(sine, n, &other);
    out->ways_error = hypot(out->ways_error, other);
    if (n < LOOK_TILES_LEAST || !frames_direction_change(before, after, &out->cosine, &out->sine))
        out->cosine = out->sine = NAN;
}

/* How far the tile lies from the quiet frame's focus, spacings. */
static double place_of(const struct look *l, int32_t tile, double at)
{
    return frames_place(l->w->z, at) - frames_place(l->w->z, l->peak[tile]);
}

/* Of all at once, what the shape falls by over PLACE_OFF where they lie. */
static double one_side_error(const struct look *l, int scale, double at)
{
    const struct tiles *t = &l->w->tiles;
    int32_t n = 0;
    for (int32_t tile = 0; tile < t->count; tile++)
        if (!isnan(l->peak[tile]) && fabs(place_of(l, tile, at)) < FOCUS_WITHIN)
            l->room[n++] = fabs(place_of(l, tile, at));
    const double u = n ? robust_median(l->room, n) : 0;
    return shape_log(&l->w->shape, scale, u) - shape_log(&l->w->shape, scale, u + PLACE_OFF);
}

static void lose_scale(const struct look *l, int scale, int32_t i, double at, double *loss, double *error)
{
    const struct tiles *t = &l->w->tiles;
    double *nearer = l->room, *deeper = l->room + t->count, a, b, error_a, error_b;
    int32_t n = 0, m = 0;
    for (int32_t tile = 0; tile < t->count; tile++) {
        const double less = tile_loss(l, scale, tile, i, at);
        if (isnan(less)) continue;
        if (place_of(l, tile, at) > 0)
            nearer[n++] = less;
        else
            deeper[m++] = less;
    }
    *loss = *error = NAN;
    if (n + m < LOOK_TILES_LEAST) return;
    if (n >= SIDE_LEAST && m >= SIDE_LEAST) {
        a = median_and_error(nearer, n, &error_a);
        b = median_and_error(deeper, m, &error_b);
        *loss = (a + b) / 2;
        const double both = hypot(error_a, error_b), apart = fabs(a - b) - 2 * both;
        *error = both / 2 + (apart > 0 ? APART_SHARE * apart : 0);
        return;
    }
    for (int32_t k = 0; k < m; k++)
        nearer[n++] = deeper[k];
    *loss = median_and_error(nearer, n, error);
    *error = hypot(*error, one_side_error(l, scale, at));
}

static struct quiet_loss lose_frame(const struct look *l, int32_t i, double at)
{
    struct quiet_loss out = {.frame = i};
    for (int k = 0; k < MEASURE_SCALES; k++)
        lose_scale(l, k, i, at, &out.ln_energy[k], &out.error[k]);
    lose_ways(l, i, at, &out);
    return out;
}

static void add(struct quiet_loss *sum, const struct quiet_loss *one, double share)
{
    for (int k = 0; k < MEASURE_SCALES; k++) {
        sum->ln_energy[k] += share * one->ln_energy[k];
        sum->error[k] += share * one->error[k];
    }
    sum->cosine += share * one->cosine;
    sum->sine += share * one->sine;
    sum->ways_error += share * one->ways_error;
    if (one->tiles > sum->tiles) sum->tiles = one->tiles;
}

bool quiet_lose(const struct look *l, double at, struct quiet_loss *out)
{
    const int32_t first = (int32_t)floor(at);
    struct quiet_loss one[2] = {{.frame = -1}, {.frame = -1}}, sum = {.frame = -1};
    double near[2], all = 0;
    for (int k = 0; k < 2; k++) {
        const int32_t i = first + k;
        near[k] = 1 - fabs(at - i);
        if (near[k] < NEAR_LEAST || i >= l->w->in->frames || l->w->blurred[i] || l->w->odd_light[i])
            near[k] = 0;
        if (near[k] > 0) one[k] = lose_frame(l, i, at);
        if (near[k] > 0 && (isnan(one[k].ln_energy[1]) || isnan(one[k].cosine))) near[k] = 0;
        all += near[k];
    }
    for (int k = 0; k < 2; k++)
        if (near[k] > 0) add(&sum, &one[k], near[k] / all);
    if (!(all > 0)) return false;
    sum.frame = near[1] > near[0] ? first + 1 : first;
    sum.apart = fabs(at - sum.frame);
    *out = sum;
    return true;
}

int quiet_texture(const struct look *l, double at, struct smear_texture **out, struct err *why)
{
    double ratio[MEASURE_SCALES - 1];
    for (int k = 0; k + 1 < MEASURE_SCALES; k++) {
        int32_t n = 0;
        for (int32_t tile = 0; tile < l->w->tiles.count; tile++) {
            if (isnan(tile_loss(l, 1, tile, l->as, at))) continue;
            const double r = look_log(l, k, tile) - look_log(l, k + 1, tile);
            if (!isnan(r)) l->room[n++] = r;
        }
        ratio[k] = n ? robust_median(l->room, n) : 0;
    }
    return smear_fit(ratio, out, why);
}
