#include "check/shape.h"

#include <math.h>

#include "base/mem.h"
#include "check/robust.h"

#define SHAPE_EACH  512 /* values kept a bin */
#define SHAPE_TILES 12  /* fewer curves than this: a guess; a median of fewer moves by more than a tenth */
#define SHAPE_DEEP  3.5 /* ln: further down, neighbours at other depths are more than the tile's own tail */
#define SHAPE_LEAST 1.0 /* ln: a shape known less deep than this tells nothing of distance */
#define SHAPE_OWN   4   /* bins: one frame from the peak at least */
/* Where too few curves tell: half of the contrast left after 0.9 frames (a spacing of 0.6 depths of field,
 * common practice, no source), twice as far at each coarser scale; the tail of a disc's blur (second power of
 * b^-1.5, Born and Wolf 8.8, from memory). */
#define GUESS_WIDTH 1.2
#define GUESS_POWER 1.25
/* Midway between two slices detail at half the Nyquist frequency keeps 0.8 of its contrast, by the default of
 * planning. The energy of the half-size Laplacian sits a little lower, about 0.22 of the pixel's frequency
 * instead of 0.25, and a small blur takes contrast as the square of the frequency: 0.8 there is 0.845 here
 * (derived; on rendered photographs spaced by that rule the energy midway is 0.70 to 0.73, thus 0.84 to
 * 0.855). */
#define CONTRAST_KEPT 0.845
/* The coarsest scale reaches so many times as far as the one before it (1.5 to 1.6 at twice the planned
 * spacing, on three rendered scenes). */
#define COARSE_TO_COARSEST 1.5

/* What lies together looks alike, and each texture has a shape a little of its own: so many tell of what lies
 * beyond an end. (Tried on open depth data: all tiles of a stack place what lies beyond 0.3 frames too near,
 * these under 0.15; fewer than fifty are too noisy.) */
#define END_SHARE 0.3
#define END_TILES 100

struct bins {
    double value[SHAPE_BINS][SHAPE_EACH];
    int32_t count[SHAPE_BINS];
};

/* The tiles that are read, by their peaks. */
struct readers {
    const struct tiles *tiles;
    const struct tile_curve *curves;
    double from, to; /* frames */
};

/* A dark frame there makes the curve narrow. */
static bool light_jumps_near(const struct tiles *t, double at)
{
    const int32_t i = (int32_t)lround(at);
    for (int32_t j = i - 3; j < i + 3; j++)
        if (tiles_light_unlike(t, j)) return true;
    return false;
}

/* A tile whose one peak lies well inside tells the shape. */
static bool tells_shape(const struct readers *r, int32_t tile)
{
    const struct tile_curve *c = &r->curves[tile];
    return c->scale >= 0 && c->scale <= 1 && c->peak_count == 1 && c->peak[0].confidence > 0.8 &&
           c->peak[0].at > c->first + 1 && c->peak[0].at < c->last - 1 && c->peak[0].at >= r->from &&
           c->peak[0].at <= r->to && !light_jumps_near(r->tiles, c->peak[0].at);
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

/* How deep (ln) a tile can be followed before its noise. */
static double headroom(const struct tiles *t, int scale, int32_t tile, const struct tile_curve *c)
{
    return top_log(t, scale, tile, c) - log(2 * (double)t->jitter[scale][tile]);
}

/* Only tiles that reach equally deep are read, or the deep bins would hold the strong and the noisy ones
 * alone. */
static double common_depth(const struct readers *r, int scale, double *room)
{
    int32_t n = 0;
    for (int32_t tile = 0; tile < r->tiles->count; tile++) {
        if (!tells_shape(r, tile)) continue;
        const double h = headroom(r->tiles, scale, tile, &r->curves[tile]);
        if (isfinite(h)) room[n++] = h;
    }
    if (n < SHAPE_TILES) return 0;
    const double share = fmax(0.5, 1 - 2.0 * SHAPE_TILES / n); /* the better half, but two dozen at least */
    return fmin(SHAPE_DEEP, robust_rank(room, n, n < 4 * SHAPE_TILES ? 1 - share : 0.5));
}

static void bin_curve(const struct tiles *t, int scale, int32_t tile, const struct tile_curve *c,
                      struct bins *bins)
{
    const double top = top_log(t, scale, tile, c);
    for (int32_t i = c->first; i <= c->last; i++) {
        const double v = tiles_signal(t, scale, tile, i), u = fabs(i - c->peak[0].at);
        const int32_t bin = (int32_t)(u / SHAPE_BIN);
        if (isnan(v) || bin >= SHAPE_BINS || bins->count[bin] >= SHAPE_EACH) continue;
        bins->value[bin][bins->count[bin]++] = top - log(v);
    }
}

/* Bins over which a subject of few depths may have no value: frames are four bins apart. */
#define THIN_BINS 3

/* From the peak on, until the values get deep or end. A thin bin lies on the line between its neighbours, or
 * on the parabola of the peak. */
static int read_raw(struct bins *bins, double depth, double *raw)
{
    int n = 0;
    for (int b = 0; b < SHAPE_BINS && b - n <= THIN_BINS && !(n && raw[n - 1] > depth); b++) {
        if (bins->count[b] < SHAPE_TILES / 2) continue;
        raw[b] = robust_median(bins->value[b], bins->count[b]);
        for (int k = n; k < b; k++)
            raw[k] = n ? raw[n - 1] + (raw[b] - raw[n - 1]) * (k - n + 1) / (b - n + 1)
                       : raw[b] * (k + 0.5) * (k + 0.5) / ((b + 0.5) * (b + 0.5));
        n = b + 1;
    }
    return n;
}

/* Medians of the bins, growing. Peaks found by a parabola leave neighbouring bins unlike, so they are evened
 * out. */
static int read_bins(struct bins *bins, double depth, double *fall)
{
    double raw[SHAPE_BINS];
    const int n = read_raw(bins, depth, raw);
    for (int b = 0; b < n; b++) {
        const double a = raw[b > 0 ? b - 1 : 0], c = raw[b + 1 < n ? b + 1 : b];
        fall[b] = b == 0 || b + 1 == n ? fmax(raw[b], 0) : (a + 2 * raw[b] + c) / 4;
        if (b > 0 && fall[b] < fall[b - 1]) fall[b] = fall[b - 1];
    }
    return n;
}

/* Further out: the power that the outer half of what was read has. */
static double outer_power(const double *fall, int own)
{
    const int half = own / 2;
    const double power = (fall[own - 1] - fall[half]) / log((own - 0.5) / (half + 0.5));
    return fmax(power, 0.5);
}

static bool read_scale(const struct readers *r, int scale, struct bins *bins, double *room,
                       struct focus_shape *out)
{
    const double depth = common_depth(r, scale, room);
    if (depth < SHAPE_LEAST) return false;
    *bins = (struct bins){0};
    /* Spread over the picture: every n-th curve where there are more than the bins hold. */
    const int32_t stride = 1 + out->tiles / (4 * SHAPE_EACH);
    for (int32_t tile = 0; tile < r->tiles->count; tile += stride)
        if (tells_shape(r, tile) && headroom(r->tiles, scale, tile, &r->curves[tile]) >= depth)
            bin_curve(r->tiles, scale, tile, &r->curves[tile], bins);
    const int own = read_bins(bins, depth, out->fall[scale]);
    if (own < SHAPE_OWN) return false;
    out->own[scale] = own;
    out->power[scale] = outer_power(out->fall[scale], own);
    out->read[scale] = true;
    return true;
}

static void guess_scale(struct focus_shape *out, int scale)
{
    const double w = GUESS_WIDTH * (1 << scale);
    for (int b = 0; b < SHAPE_BINS; b++) {
        const double x = (b + 0.5) * SHAPE_BIN / w;
        out->fall[scale][b] = GUESS_POWER * log(1 + x * x);
    }
    out->own[scale] = SHAPE_BINS;
    out->power[scale] = 2 * GUESS_POWER;
}

/* Textures differ by at least half in this, however alike the tiles of a stack are: a guess. */
#define RATIO_SPREAD 0.4

static void read_ratios(const struct readers *r, double *room, struct focus_shape *out)
{
    const struct tiles *t = r->tiles;
    for (int k = 0; k + 1 < MEASURE_SCALES; k++) {
        int32_t n = 0;
        for (int32_t tile = 0; tile < t->count; tile++) {
            if (!tells_shape(r, tile)) continue;
            const struct tile_curve *c = &r->curves[tile];
            const double ratio = top_log(t, k, tile, c) - top_log(t, k + 1, tile, c);
            if (isfinite(ratio)) room[n++] = ratio;
        }
        out->ratio[k] = n ? robust_median(room, n) : 0;
        out->ratio_sigma[k] = fmax(robust_sigma(room, n), RATIO_SPREAD);
    }
}

static int fit(const struct readers *r, struct focus_shape *out, struct err *why)
{
    struct bins *bins = mem_new(1, sizeof *bins, why);
    double *room = mem_new((size_t)r->tiles->count, sizeof *room, why);
    if (!bins || !room) {
        mem_free(bins);
        mem_free(room);
        return E_NOMEM;
    }
    *out = (struct focus_shape){0};
    for (int32_t tile = 0; tile < r->tiles->count; tile++)
        out->tiles += tells_shape(r, tile);
    if (out->tiles < SHAPE_TILES) out->tiles = 0;
    for (int k = 0; k < MEASURE_SCALES; k++)
        if (!out->tiles || !read_scale(r, k, bins, room, out)) guess_scale(out, k);
    read_ratios(r, room, out);
    mem_free(bins);
    mem_free(room);
    return E_OK;
}

int shape_fit(const struct tiles *t, const struct tile_curve *curves, struct focus_shape *out,
              struct err *why)
{
    return fit(&(struct readers){t, curves, -INFINITY, INFINITY}, out, why);
}

/* Narrows the readers to those nearest an end. */
static int nearest_end(struct readers *r, bool after, struct err *why)
{
    double *at = mem_new((size_t)r->tiles->count, sizeof *at, why);
    if (!at) return E_NOMEM;
    int32_t n = 0;
    for (int32_t tile = 0; tile < r->tiles->count; tile++)
        if (tells_shape(r, tile)) at[n++] = r->curves[tile].peak[0].at;
    const double share = n ? fmin(fmax(END_SHARE, (double)END_TILES / n), 1) : 1;
    if (n && after) r->from = robust_rank(at, n, 1 - share);
    if (n && !after) r->to = robust_rank(at, n, share);
    mem_free(at);
    return E_OK;
}

int shape_fit_end(const struct tiles *t, const struct tile_curve *curves, bool after, struct focus_shape *out,
                  struct err *why)
{
    struct readers r = {t, curves, -INFINITY, INFINITY};
    int rc = nearest_end(&r, after, why);
    return rc ? rc : fit(&r, out, why);
}

double shape_log(const struct focus_shape *s, int scale, double u)
{
    const double *fall = s->fall[scale];
    const double at = fabs(u) / SHAPE_BIN - 0.5; /* in bins from the middle of the first */
    const int own = s->own[scale];
    if (at <= 0) return -fall[0] * (at + 0.5) * (at + 0.5) * 4; /* a parabola up to the peak */
    if (at >= own - 1) return -fall[own - 1] - s->power[scale] * log((at + 0.5) / (own - 0.5));
    const int b = (int)at;
    return -(fall[b] + (at - b) * (fall[b + 1] - fall[b]));
}

double shape_distance(const struct focus_shape *s, int scale, double fall, double most)
{
    double near = 0, far = most;
    if (-shape_log(s, scale, most) <= fall) return most;
    for (int i = 0; i < 30; i++) {
        const double mid = (near + far) / 2;
        if (-shape_log(s, scale, mid) < fall)
            near = mid;
        else
            far = mid;
    }
    return near;
}

double shape_reach(const struct focus_shape *s)
{
    return shape_distance(s, 1, -2 * log(CONTRAST_KEPT), SHAPE_BIN * SHAPE_BINS);
}

double shape_coarse_reach(const struct focus_shape *s)
{
    double most = 0; /* in units of what the finest scale would have */
    for (int k = 2; k < MEASURE_SCALES; k++) {
        if (!s->read[k]) return 0;
        const double reach = shape_distance(s, k, -2 * log(CONTRAST_KEPT), SHAPE_BIN * SHAPE_BINS);
        most = fmax(most, reach * (k == 2 ? COARSE_TO_COARSEST : 1));
    }
    return most;
}
