#include "check/spacing.h"

#include <math.h>

#include "base/mem.h"
#include "check/robust.h"

#define TELLS_LEAST   8   /* values a side; a median of fewer is moved by one depth edge */
#define TELLS_SIGNAL  8.0 /* jitters: a tenth of error in the logarithm */
#define NEAREST       0.5 /* spacings from the peak: nearer, the shape is flat and tells nothing */
#define FARTHEST      3.5
#define STEEP_LEAST   0.08 /* ln a spacing: flatter, jitter makes the step up */
#define STEP_MOST     24.0
#define CHANGE_LEAST  20 /* values: a median of fewer is moved by one depth edge */
#define CHANGE_AROUND 4  /* steps each side: the scene's depths change slowly over as many */

/* How much further out than `u` (> 0) the height has fallen by `fall` more; negative falls go back to the
 * peak at most.
 */
static double step_of(const struct focus_shape *s, int scale, double u, double fall)
{
    const double level = fall - shape_log(s, scale, u);
    return level <= 0 ? -u : shape_distance(s, scale, level, u + STEP_MOST) - u;
}

/* What one tile at one scale says of the step between frames a (nearer its peak) and b. */
static double tile_step(const struct tiles *t, const struct focus_shape *s, int scale, int32_t tile, double u,
                        int32_t a, int32_t b)
{
    const double jitter = (double)t->jitter[scale][tile];
    const double va = tiles_signal(t, scale, tile, a), vb = tiles_signal(t, scale, tile, b);
    if (isnan(va) || isnan(vb) || va < TELLS_SIGNAL * jitter) return NAN;
    /* Where even the usual step would end in the noise, a longer one could not be told. */
    const double usual = shape_log(s, scale, u) - shape_log(s, scale, u + 1);
    if (usual < STEEP_LEAST || va * exp(-usual) < TELLS_SIGNAL / 2 * jitter) return NAN;
    return step_of(s, scale, u, log(va / vb));
}

static bool clear_peak(const struct tile_curve *c)
{
    return c->scale >= 0 && c->scale <= 2 && c->peak_count == 1 && c->peak[0].confidence > 0.7;
}

/* Tiles of one depth share one error, and a hundred of them tell no more than one: the peaks of those that
 * are asked have to spread over so much (between their quarters; evenly over FARTHEST - NEAREST it is half of
 * that). Less than this made gaps and repeats on clean stacks of terraces. */
#define PEAKS_SPREAD 0.5

struct side {
    double *step, *at; /* what each tile says; where its peak lies */
    int32_t count;
};

struct sides {
    struct side past, before;
};

static void add_step(struct side *side, double step, double at)
{
    if (isnan(step)) return;
    side->step[side->count] = step;
    side->at[side->count++] = at;
}

static bool tells(struct side *side)
{
    if (side->count < TELLS_LEAST) return false;
    const double low = robust_rank(side->at, side->count, 0.25);
    return robust_rank(side->at, side->count, 0.75) - low >= PEAKS_SPREAD;
}

static void ask_tile(const struct tiles *t, const struct tile_curve *c, const struct focus_shape *s,
                     int32_t tile, int32_t i, struct sides *sides)
{
    const double at = c->peak[0].at;
    for (int k = 1; k < MEASURE_SCALES;
         k++) { /* a small shake changes the full-size energy first: not asked */
        if (i - at >= NEAREST && i - at <= FARTHEST)
            add_step(&sides->past, tile_step(t, s, k, tile, i - at, i, i + 1), at);
        else if (at - (i + 1) >= NEAREST && at - (i + 1) <= FARTHEST)
            add_step(&sides->before, tile_step(t, s, k, tile, at - (i + 1), i + 1, i), at);
    }
}

static double spread_of(struct side *side)
{
    return robust_sigma(side->step, side->count) / sqrt(side->count);
}

static struct step settle_step(struct sides *sides)
{
    struct step out = {.size = NAN, .one_side = NAN, .other_side = NAN};
    struct side *a = &sides->past, *b = &sides->before;
    const bool past = tells(a), before = tells(b);
    if (past) out.one_side = robust_median(a->step, a->count);
    if (before) out.other_side = robust_median(b->step, b->count);
    out.tells = (past ? a->count : 0) + (before ? b->count : 0);
    if (past && before)
        out.size = (out.one_side + out.other_side) / 2;
    else if (past)
        out.size = out.one_side;
    else if (before)
        out.size = out.other_side;
    out.spread = fmax(past ? spread_of(a) : 0, before ? spread_of(b) : 0);
    return out;
}

/* Median of |ln| of what the curves change by, at all but the finest scale. */
static double whole_change(const struct tiles *t, const struct tile_curve *curves, int32_t i, double *room)
{
    int32_t n = 0;
    for (int32_t tile = 0; tile < t->count; tile++) {
        if (curves[tile].scale < 0) continue;
        for (int k = 1; k < MEASURE_SCALES; k++) {
            const double jitter = (double)t->jitter[k][tile];
            const double a = tiles_signal(t, k, tile, i), b = tiles_signal(t, k, tile, i + 1);
            if (a > TELLS_SIGNAL * jitter && b > TELLS_SIGNAL * jitter) room[n++] = fabs(log(b / a));
        }
    }
    return n >= CHANGE_LEAST ? robust_median(room, n) : NAN;
}

static void change_against_around(const double *change, int32_t n, struct step *steps)
{
    for (int32_t i = 0; i < n; i++) {
        double room[2 * CHANGE_AROUND];
        int32_t m = 0;
        for (int32_t j = i - CHANGE_AROUND; j <= i + CHANGE_AROUND; j++)
            if (j >= 0 && j < n && j != i && !isnan(change[j])) room[m++] = change[j];
        steps[i].change = m >= 3 ? change[i] / robust_median(room, m) : NAN;
    }
}

int spacing_find(const struct tiles *t, const struct tile_curve *curves, const struct focus_shape *shape,
                 struct step *steps, struct err *why)
{
    const size_t most = (size_t)t->count * MEASURE_SCALES;
    double *room = mem_new(4 * most + (size_t)t->frames, sizeof *room, why);
    if (!room) return E_NOMEM;
    double *change = room + 4 * most;
    for (int32_t i = 0; i + 1 < t->frames; i++) {
        struct sides sides = {{room, room + most, 0}, {room + 2 * most, room + 3 * most, 0}};
        for (int32_t tile = 0; tile < t->count; tile++)
            if (clear_peak(&curves[tile])) ask_tile(t, &curves[tile], shape, tile, i, &sides);
        steps[i] = settle_step(&sides);
        change[i] = whole_change(t, curves, i, room);
    }
    change_against_around(change, t->frames - 1, steps);
    mem_free(room);
    return E_OK;
}

/* ---- exchanged neighbours ---- */

#define SWAP_SIGNAL 10.0 /* jitters that the four frames must differ by, to have an opinion */
#define SWAP_TILES  12

/* Sum of squares of second differences of the logarithm over the frames from i - 1 to i + 2, exchanged or
 * not. */
static double roughness(const double *v, int32_t n)
{
    double sum = 0;
    for (int32_t j = 1; j + 1 < n; j++) {
        const double bend = v[j - 1] - 2 * v[j] + v[j + 1];
        sum += bend * bend;
    }
    return sum;
}

/* -1 no opinion, 0 as they are, 1 exchanged. */
static int swap_opinion(const struct tiles *t, int scale, int32_t tile, int32_t i)
{
    double v[6], least = INFINITY, most = 0;
    int32_t n = 0, at = -1;
    for (int32_t j = i - 2; j <= i + 3; j++) {
        if (j < 0 || j >= t->frames) continue;
        const double e = tiles_signal(t, scale, tile, j);
        if (isnan(e)) return -1;
        if (j == i) at = n;
        least = fmin(least, e);
        most = fmax(most, e);
        v[n++] = log(e);
    }
    if (n < 4 || most - least < SWAP_SIGNAL * (double)t->jitter[scale][tile]) return -1;
    const double as_is = roughness(v, n), first = v[at];
    v[at] = v[at + 1];
    v[at + 1] = first;
    return roughness(v, n) < as_is;
}

double spacing_swap_share(const struct tiles *t, const struct tile_curve *curves, int32_t i)
{
    int32_t asked = 0, yes = 0;
    for (int32_t tile = 0; tile < t->count; tile++) {
        if (curves[tile].scale < 0) continue;
        for (int k = 1; k < MEASURE_SCALES; k++) {
            const int opinion = swap_opinion(t, k, tile, i);
            asked += opinion >= 0;
            yes += opinion == 1;
        }
    }
    return asked >= SWAP_TILES ? (double)yes / asked : 0.0;
}
