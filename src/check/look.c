#include "check/look.h"

#include <math.h>
#include <stddef.h>

#include "check/robust.h"

#define SIGNAL       8.0  /* jitters: a tenth of error in the logarithm */
#define SEARCH_TILES 1200 /* that the search over all frames asks */
#define AROUND_STEPS 12   /* each side of the nearest frame, for places between two */
#define AROUND_STEP  0.05 /* frames */

static bool asked(const struct work *w, int32_t tile)
{
    return w->tiles.inside[tile] && w->curves[tile].scale >= 0;
}

/* Samples every `stride`-th tile, and finds the light. */
static void look_as(struct look *l, int32_t frame, int32_t stride)
{
    const struct tiles *t = &l->w->tiles;
    int32_t n = 0;
    l->as = frame;
    for (int32_t tile = 0; tile < t->count; tile += stride) {
        struct tile_sample *s = &l->seen[tile];
        if (!asked(l->w, tile)) continue;
        tiles_sample(t, l->quiet->measure, frame, tile, s);
        const double mean = (double)t->mean[(size_t)tile * (size_t)t->frames + (size_t)frame];
        if (s->seen && mean > 8 && s->mean > 8) l->room[n++] = tiles_light(s->mean) - tiles_light(mean);
    }
    l->light = t->light[frame] + (n ? robust_median(l->room, n) : 0);
}

/* ln of the quiet frame's energy; NAN where it does not tell. */
double look_log(const struct look *l, int scale, int32_t tile)
{
    const struct tiles *t = &l->w->tiles;
    if (!l->seen[tile].seen) return NAN;
    const double e = tiles_sample_signal(t, &l->seen[tile], scale, tile, l->light);
    return e < SIGNAL * (double)t->jitter[scale][tile] ? NAN : log(e);
}

double look_stack_log(const struct look *l, int scale, int32_t tile, int32_t frame)
{
    return log(tiles_signal(&l->w->tiles, scale, tile, frame));
}

/* The stack's ln energy `off` frames from the frame that is looked as: a parabola through three. */
static double stack_between(const struct look *l, int scale, int32_t tile, double off)
{
    const double b = look_stack_log(l, scale, tile, l->as);
    if (off == 0) return b;
    const double a = look_stack_log(l, scale, tile, l->as - 1), c = look_stack_log(l, scale, tile, l->as + 1);
    return b + off * (c - a) / 2 + off * off * (a - 2 * b + c) / 2;
}

/* How much the tiles disagree about the factor between the two pictures, at the two coarsest scales; NAN: too
 * few tell. */
static double disagreement(const struct look *l, double off, int32_t stride)
{
    double sum = 0;
    for (int k = 2; k < MEASURE_SCALES; k++) {
        int32_t n = 0;
        for (int32_t tile = 0; tile < l->w->tiles.count; tile += stride) {
            if (!asked(l->w, tile)) continue;
            const double more = look_log(l, k, tile) - stack_between(l, k, tile, off);
            if (!isnan(more)) l->room[n++] = more;
        }
        if (n < LOOK_TILES_LEAST) return NAN;
        sum += robust_sigma(l->room, n) / (MEASURE_SCALES - 2);
    }
    return sum;
}

/* Nearest frame, then the place between frames; false: nowhere. */
bool look_focus(struct look *l, double *at, double *off_out)
{
    const struct tiles *t = &l->w->tiles;
    const int32_t stride = 1 + t->count / SEARCH_TILES;
    double least = INFINITY;
    int32_t best = -1;
    for (int32_t i = 0; i < t->frames; i++) {
        if (l->w->odd_light[i]) continue;
        look_as(l, i, stride);
        const double d = disagreement(l, 0, stride);
        if (!(d < least)) continue;
        least = d;
        best = i;
    }
    if (best < 0) return false;
    look_as(l, best, 1);
    *at = best;
    *off_out = least;
    if (best == 0 || best == t->frames - 1) return true;
    for (int i = -AROUND_STEPS; i <= AROUND_STEPS; i++) {
        const double off = AROUND_STEP * i;
        const double d = disagreement(l, off, stride);
        if (!(d < *off_out)) continue;
        *off_out = d;
        *at = best + off;
    }
    return true;
}
