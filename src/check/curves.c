#include "check/curves.h"

#include <math.h>

#include "base/mem.h"
#include "check/robust.h"
#include "image/peaks.h"

/* ---- peaks of one tile ---- */

/* A curve stands out when its rise is this many times its jitter and this many times its lowest value. With
 * 800 tiles of 30 frames of pure noise the largest rise is about 7 sigma (extremes of a Gaussian, twice 3.5).
 */
#define RISE_JITTERS 9.0
#define RISE_RATIO   1.35

/* A peak counts when it rises from its saddle by this many jitters, ... */
#define PEAK_JITTERS 6.0
/* ... by this much in ln (a quarter: what neighbours at a depth edge do to a curve stays below) ... */
#define PEAK_LOG 0.25
/* ... and is no side lobe: the defocused disc of a strong edge has them up to 2 % (first ring of (2
 * J1(x)/x)^2, FACTS of diffraction handbooks, from memory), and a neighbour's blur leaks as much again. */
#define PEAK_SHARE 0.05

static void seen_range(const struct tiles *t, int32_t tile, struct tile_curve *c)
{
    const float *mean = &t->mean[(size_t)tile * (size_t)t->frames];
    c->first = 0;
    c->last = t->frames - 1;
    while (c->first < c->last && isnan(mean[c->first]))
        c->first++;
    while (c->last > c->first && isnan(mean[c->last]))
        c->last--;
}

static bool stands_out(const struct tiles *t, int scale, int32_t tile, const struct tile_curve *c)
{
    double least = INFINITY, most = 0;
    for (int32_t i = c->first; i <= c->last; i++) {
        const double v = tiles_signal(t, scale, tile, i);
        if (isnan(v)) continue;
        least = fmin(least, v);
        most = fmax(most, v);
    }
    return most - least > RISE_JITTERS * (double)t->jitter[scale][tile] && most > RISE_RATIO * least;
}

static double peak_confidence(double rise, double jitter)
{
    return 1 - exp(-rise / (2 * PEAK_JITTERS * jitter));
}

static void find_peaks(const struct tiles *t, int32_t tile, struct tile_curve *c, double *room)
{
    enum { CANDIDATES = 16 };
    struct peak found[CANDIDATES];
    const int32_t n = c->last - c->first + 1;
    for (int32_t i = 0; i < n; i++)
        room[i] = tiles_signal(t, c->scale, tile, c->first + i);
    const int32_t count = peaks_find(room, n, PEAK_LOG, found, CANDIDATES);
    const double jitter = (double)t->jitter[c->scale][tile];
    for (int32_t i = 0; i < count && c->peak_count < PEAKS_MOST; i++) {
        const double rise = found[i].value * (1 - exp(-found[i].prominence));
        if (rise < PEAK_JITTERS * jitter || found[i].value < PEAK_SHARE * found[0].value) continue;
        c->peak[c->peak_count++] = (struct tile_peak){.at = c->first + found[i].at,
                                                      .height = found[i].value,
                                                      .confidence = peak_confidence(rise, jitter)};
    }
}

int curves_find(const struct tiles *t, struct tile_curve *curves, struct err *why)
{
    double *room = mem_new((size_t)t->frames, sizeof *room, why);
    if (!room) return E_NOMEM;
    for (int32_t tile = 0; tile < t->count; tile++) {
        struct tile_curve *c = &curves[tile];
        *c = (struct tile_curve){.scale = -1};
        seen_range(t, tile, c);
        if (!t->inside[tile]) continue;
        for (int k = 0; k < MEASURE_SCALES && c->peak_count == 0; k++) {
            if (!stands_out(t, k, tile, c)) continue;
            c->scale = k;
            find_peaks(t, tile, c, room);
        }
    }
    mem_free(room);
    return E_OK;
}

/* ---- the shape that all share ---- */

#define SHAPE_BIN    0.25 /* frames */
#define SHAPE_BINS   64   /* thus up to 16 frames from the peak */
#define SHAPE_EACH   512  /* values kept a bin */
#define SHAPE_TILES  12   /* fewer curves than this: a guess; a median of fewer moves by more than a tenth */
#define SHAPE_SIGNAL 6.0  /* jitters; below it a value is more noise than curve */
#define SHAPE_DEEP   3.5  /* ln: further down, neighbours at other depths are more than the tile's own tail */
#define SHAPE_OWN    3    /* bins that a width and a power need */
#define GUESS_WIDTH  1.2  /* frames: a spacing of 0.6 depths of field, common practice, no source */
#define GUESS_POWER  1.25

struct bins {
    double value[SHAPE_BINS][SHAPE_EACH];
    int32_t count[SHAPE_BINS];
};

/* A tile whose one peak lies well inside tells the shape. */
static bool tells_shape(const struct tile_curve *c)
{
    return c->scale >= 0 && c->scale <= 1 && c->peak_count == 1 && c->peak[0].confidence > 0.8 &&
           c->peak[0].at > c->first + 1 && c->peak[0].at < c->last - 1;
}

/* Signal at the fractional peak, by a parabola in ln through the nearest three. */
static double top_log(const struct tiles *t, int scale, int32_t tile, const struct tile_curve *c)
{
    const int32_t i = (int32_t)lround(c->peak[0].at);
    const double a = log(tiles_signal(t, scale, tile, i - 1)), b = log(tiles_signal(t, scale, tile, i)),
                 d = log(tiles_signal(t, scale, tile, i + 1));
    const double u = c->peak[0].at - i;
    return b + u * (d - a) / 2 + u * u * (a - 2 * b + d) / 2;
}

static void bin_curve(const struct tiles *t, int scale, int32_t tile, const struct tile_curve *c,
                      struct bins *bins)
{
    const double top = top_log(t, scale, tile, c), jitter = (double)t->jitter[scale][tile];
    if (isnan(top) || top < log(4 * SHAPE_SIGNAL * jitter)) return;
    for (int32_t i = c->first; i <= c->last; i++) {
        const double v = tiles_signal(t, scale, tile, i), u = fabs(i - c->peak[0].at);
        const int32_t bin = (int32_t)(u / SHAPE_BIN);
        if (isnan(v) || bin >= SHAPE_BINS || bins->count[bin] >= SHAPE_EACH) continue;
        if (v < SHAPE_SIGNAL * jitter) continue;
        bins->value[bin][bins->count[bin]++] = log(v) - top;
    }
}

/* How many bins from the peak on are the tile's own: up to the first that is thin or deep. */
static int own_bins(const double *middle, const int32_t *count)
{
    int b = 0;
    while (b < SHAPE_BINS && count[b] >= SHAPE_TILES && middle[b] >= -SHAPE_DEEP)
        b++;
    return b;
}

/* Least squares over a grid of widths and powers; a bin weighs as the root of its values. */
static void fit_bins(const double *middle, const int32_t *count, int bins, double *width, double *power)
{
    double best = INFINITY;
    for (double q = 0.5; q <= 3.01; q += 0.125)
        for (double w = 0.15; w < 24; w *= 1.04) {
            double sum = 0;
            for (int b = 0; b < bins; b++) {
                const double u = (b + 0.5) * SHAPE_BIN / w, off = middle[b] + q * log(1 + u * u);
                sum += sqrt(count[b]) * off * off;
            }
            if (sum < best) {
                best = sum;
                *width = w;
                *power = q;
            }
        }
}

static int fit_scale(const struct tiles *t, const struct tile_curve *curves, int scale, int32_t stride,
                     struct bins *bins, struct focus_shape *out)
{
    double middle[SHAPE_BINS];
    *bins = (struct bins){0};
    for (int32_t tile = 0; tile < t->count; tile += stride)
        if (tells_shape(&curves[tile])) bin_curve(t, scale, tile, &curves[tile], bins);
    for (int b = 0; b < SHAPE_BINS; b++)
        middle[b] = robust_median(bins->value[b], bins->count[b]);
    const int own = own_bins(middle, bins->count);
    if (own < SHAPE_OWN) return 0;
    fit_bins(middle, bins->count, own, &out->width[scale], &out->power[scale]);
    return 1;
}

int shape_fit(const struct tiles *t, const struct tile_curve *curves, struct focus_shape *out,
              struct err *why)
{
    struct bins *bins = mem_new(1, sizeof *bins, why);
    if (!bins) return E_NOMEM;
    *out = (struct focus_shape){0};
    for (int32_t tile = 0; tile < t->count; tile++)
        out->tiles += tells_shape(&curves[tile]);
    /* Spread over the picture: take every n-th curve where there are many. */
    int32_t stride = out->tiles / (8 * SHAPE_EACH);
    if (stride < 1) stride = 1;
    if (out->tiles < SHAPE_TILES) out->tiles = 0;
    for (int k = 0; k < MEASURE_SCALES; k++) {
        if (out->tiles && fit_scale(t, curves, k, stride, bins, out)) continue;
        out->width[k] = k > 0 && out->width[k - 1] > 0 ? 1.6 * out->width[k - 1] : GUESS_WIDTH;
        out->power[k] = GUESS_POWER;
    }
    mem_free(bins);
    return E_OK;
}

double shape_log(const struct focus_shape *s, int scale, double u)
{
    const double x = u / s->width[scale];
    return -s->power[scale] * log(1 + x * x);
}

double shape_reach(const struct focus_shape *s)
{
    return s->width[1] * sqrt(exp(log(2.0) / s->power[1]) - 1);
}
