#include <math.h>

#include "base/mem.h"
#include "check/ends.h"
#include "check/work.h"

/* A curve rises at an end when, going in from the end, it falls by this many jitters and this much in ln. A
 * quarter as much energy as its best peak has at that scale may run in from a sharp neighbour that goes out
 * of focus, but that does not get steeper toward the end. */
#define RISE_JITTERS 8.0
#define RISE_LOG     0.4
#define RISE_STEP    0.15 /* ln, in the last step alone */
#define RISE_SHARE   0.03 /* of the highest value at that scale */
#define RISE_COARSE  2    /* the coarsest scale that tells, for a tile that has finer texture */
#define END_PEAK     0.6  /* frames from the end: the maximum may be the end itself */
#define HOLE_NEAR    1.0  /* frames from a hole within which a peak is laid again */

static double index_of(const struct work *w, double z)
{
    const int32_t n = w->tiles.frames;
    if (z <= w->z[0]) return 0;
    for (int32_t i = 0; i + 1 < n; i++)
        if (z <= w->z[i + 1]) return i + (z - w->z[i]) / (w->z[i + 1] - w->z[i]);
    return n - 1;
}

static void drop_peak(struct tile_curve *c, int32_t k)
{
    for (int32_t j = k; j + 1 < c->peak_count; j++)
        c->peak[j] = c->peak[j + 1];
    c->peak_count--;
}

/* Frame at which the rise toward an end begins, at this scale; -1 when it does not rise. */
static int32_t rise_from(const struct tiles *t, int scale, int32_t tile, const struct tile_curve *c,
                         bool after)
{
    const int32_t end = after ? c->last : c->first, step = after ? -1 : 1, stop = after ? c->first : c->last;
    const double jitter = (double)t->jitter[scale][tile], top = tiles_signal(t, scale, tile, end);
    if (end == stop || isnan(top)) return -1;
    double least = top, most = top;
    int32_t valley = end;
    for (int32_t i = end + step; i != stop + step; i += step) {
        const double v = tiles_signal(t, scale, tile, i);
        if (isnan(v) || v > least + 3 * jitter) break;
        if (v < least) {
            least = v;
            valley = i;
        }
    }
    for (int32_t i = c->first; i <= c->last; i++)
        most = fmax(most, tiles_signal(t, scale, tile, i));
    const double before = tiles_signal(t, scale, tile, end + step);
    const bool rises = top - least > RISE_JITTERS * jitter && log(top / least) > RISE_LOG &&
                       log(top / before) > RISE_STEP && top > RISE_SHARE * most;
    return rises ? valley : -1;
}

/* With spherical aberration the disc of what lies on one side of focus has a bright rim, and fine detail
 * comes back a little after it has gone (on clean stacks up to half of the peak, one to three frames from
 * it). So a rise right behind a peak is the peak's own. */
#define RIM_FRAMES 3.0

static bool peak_before_end(const struct tile_curve *c, bool after)
{
    for (int32_t k = 0; k < c->peak_count; k++) {
        const double from_end = after ? c->last - c->peak[k].at : c->peak[k].at - c->first;
        if (from_end > END_PEAK && from_end <= RIM_FRAMES) return true;
    }
    return false;
}

/* What is so far beyond the end rises toward it at the coarse scale, too; flat there, its fine detail has a
 * long tail for another reason (a slope within the tile, a neighbour's blur). */
#define COARSE_LEAST 0.3 /* of the step that the shape says */

static bool coarse_denies(const struct work *w, int32_t tile, const struct tile_curve *c, bool after,
                          double past)
{
    const struct tiles *t = &w->tiles;
    const struct focus_shape *shape = &w->end_shape[after];
    const int32_t end = after ? c->last : c->first;
    const double top = tiles_signal(t, RISE_COARSE, tile, end),
                 before = tiles_signal(t, RISE_COARSE, tile, after ? end - 1 : end + 1);
    if (!(fmin(top, before) > RISE_JITTERS * (double)t->jitter[RISE_COARSE][tile])) return false;
    const double step = shape_log(shape, RISE_COARSE, past) - shape_log(shape, RISE_COARSE, past + 1);
    return log(top / before) < COARSE_LEAST * step;
}

/* What is lowest in mid-stack and rises toward both ends, at all coarse scales, is no part that comes into
 * focus beyond one of them: the discs of something bright beside the tile, sharp between, run into it. (On
 * clean stacks of open pictures; of what does lie beyond an end 1 in 200 tiles look like that.) */
#define BOTH_ENDS 3.0 /* times the lowest */

static bool runs_in(const struct tiles *t, int32_t tile, const struct tile_curve *c, bool after)
{
    for (int k = RISE_COARSE; k < MEASURE_SCALES; k++) {
        double least = INFINITY;
        for (int32_t i = c->first; i <= c->last; i++)
            least = fmin(least, tiles_signal(t, k, tile, i));
        if (!(tiles_signal(t, k, tile, after ? c->first : c->last) > BOTH_ENDS * least)) return false;
    }
    return true;
}

/* Focus beyond an end of the stack, in spacings; 0 when within reach of the end frame or when nothing rises
 * there. */
static double beyond_end(const struct work *w, int32_t tile, const struct tile_curve *c, bool after)
{
    const int coarsest = c->scale > RISE_COARSE ? c->scale : RISE_COARSE;
    int32_t valley = -1;
    int finest = -1;
    if (peak_before_end(c, after)) return 0;
    while (valley < 0 && finest < coarsest)
        valley = rise_from(&w->tiles, ++finest, tile, c, after);
    if (valley < 0 || runs_in(&w->tiles, tile, c, after)) return 0;
    const double end = w->z[after ? c->last : c->first];
    const double lo = after ? end - 2 : end - ENDS_FAR, hi = after ? end + ENDS_FAR : end + 2;
    const int32_t from = after ? valley : c->first, to = after ? c->last : valley;
    const double at = ends_fit(&w->tiles, &w->end_shape[after], tile, w->z, from, to, lo, hi, finest);
    const double past = after ? at - end : end - at;
    return past > w->reach && !coarse_denies(w, tile, c, after, past) ? past : 0;
}

/* A maximum at the end frame is no peak when the curve goes on rising beyond it. */
static void drop_end_peak(struct tile_curve *c, bool after)
{
    for (int32_t k = c->peak_count - 1; k >= 0; k--)
        if (after ? c->peak[k].at >= c->last - END_PEAK : c->peak[k].at <= c->first + END_PEAK)
            drop_peak(c, k);
}

/* Tile state from its curve at the ends. A tile that has left the picture before the end of the stack is
 * nobody's fault and no part of the merged picture. */
static enum tile_state judge_ends(struct work *w, int32_t tile)
{
    struct tile_curve *c = &w->curves[tile];
    enum tile_state state = TILE_COVERED;
    for (int side = 0; side < 2; side++) {
        const bool after = side == 1;
        const double past = beyond_end(w, tile, c, after);
        if (past <= 0) continue;
        drop_end_peak(c, after);
        const bool left = after ? c->last + 1 < w->tiles.frames : c->first > 0;
        if (left && c->peak_count) continue; /* sharp earlier, while it was seen */
        state = left ? TILE_OUTSIDE : after ? TILE_UNSHARP_AFTER : TILE_UNSHARP_BEFORE;
        w->v.tiles[tile].beyond = past;
    }
    return state;
}

/* A peak beside a hole is laid anew with the frames where they really are. When no frame is within reach the
 * hole takes it: TILE_GAP where nothing else is sharp at this place; a hair or a wing before something that
 * is counts for the hole, too. */
static enum tile_state judge_hole(struct work *w, int32_t tile, struct gap *g)
{
    struct tile_curve *c = &w->curves[tile];
    bool lost = false, kept = false;
    for (int32_t k = 0; k < c->peak_count; k++) {
        struct tile_peak *p = &c->peak[k];
        if (p->at < g->after - HOLE_NEAR || p->at > g->after + 1 + HOLE_NEAR) {
            kept = true;
            continue;
        }
        const double a = w->z[g->after], b = w->z[g->after + 1];
        const double at =
            ends_fit(&w->tiles, &w->shape, tile, w->z, c->first, c->last, a - 1.5, b + 1.5, c->scale);
        if (isnan(at)) continue;
        p->at = index_of(w, at);
        const bool within = at > a && at < b && fmin(at - a, b - at) > w->reach;
        if (within)
            lost = true;
        else
            kept = true;
    }
    g->tiles += lost;
    return lost && !kept ? TILE_GAP : TILE_COVERED;
}

static enum tile_state judge_tile(struct work *w, int32_t tile)
{
    struct tile_curve *c = &w->curves[tile];
    if (!w->tiles.inside[tile]) return TILE_OUTSIDE;
    if (c->scale < 0 || c->peak_count == 0) return TILE_NO_TEXTURE;
    const enum tile_state state = judge_ends(w, tile);
    if (state != TILE_COVERED) return state;
    for (int32_t g = 0; g < w->v.gap_count; g++)
        if (judge_hole(w, tile, &w->v.gaps[g]) == TILE_GAP) return TILE_GAP;
    return TILE_COVERED;
}

static void copy_peaks(const struct tile_curve *c, struct tile_verdict *out)
{
    out->peak_count = c->peak_count;
    for (int32_t k = 0; k < c->peak_count; k++) {
        out->peak[k] = (float)c->peak[k].at;
        out->confidence[k] = (float)c->peak[k].confidence;
    }
}

/* A place that lies beyond an end is larger than a tile; a tile alone is a neighbour's blur running in, and a
 * few together with clipped pixels are a glint's disc. */
#define LIKE_LEAST  2 /* of the eight around */
#define LIKE_GLINTS 5

static int32_t like_around(const struct verdict *v, int32_t tile)
{
    const int32_t r0 = tile / v->cols, c0 = tile % v->cols;
    int32_t n = 0;
    for (int32_t r = r0 - 1; r <= r0 + 1; r++)
        for (int32_t c = c0 - 1; c <= c0 + 1; c++) {
            if (r < 0 || r >= v->rows || c < 0 || c >= v->cols || (r == r0 && c == c0)) continue;
            n += v->tiles[r * v->cols + c].state == v->tiles[tile].state;
        }
    return n;
}

static int drop_lonely_ends(struct work *w, struct err *why)
{
    struct verdict *v = &w->v;
    bool *lonely = mem_new((size_t)w->tiles.count, sizeof *lonely, why);
    if (!lonely) return E_NOMEM;
    for (int32_t tile = 0; tile < w->tiles.count; tile++) {
        const enum tile_state s = v->tiles[tile].state;
        if (s != TILE_UNSHARP_BEFORE && s != TILE_UNSHARP_AFTER) continue;
        const struct tile_curve *c = &w->curves[tile];
        const bool glint = tiles_glint(&w->tiles, tile, s == TILE_UNSHARP_AFTER ? c->last : c->first);
        lonely[tile] = like_around(v, tile) < (glint ? LIKE_GLINTS : LIKE_LEAST);
    }
    for (int32_t tile = 0; tile < w->tiles.count; tile++)
        if (lonely[tile]) v->tiles[tile].state = w->curves[tile].peak_count ? TILE_COVERED : TILE_NO_TEXTURE;
    mem_free(lonely);
    return E_OK;
}

int places_judge(struct work *w, struct err *why)
{
    struct verdict *v = &w->v;
    int32_t count[TILE_GAP + 1] = {0}, inside = 0;
    for (int32_t tile = 0; tile < w->tiles.count; tile++)
        v->tiles[tile].state = judge_tile(w, tile);
    int rc = drop_lonely_ends(w, why);
    if (rc) return rc;
    for (int32_t tile = 0; tile < w->tiles.count; tile++) {
        copy_peaks(&w->curves[tile], &v->tiles[tile]);
        count[v->tiles[tile].state]++;
        inside += v->tiles[tile].state != TILE_OUTSIDE;
    }
    const int32_t textured = inside - count[TILE_NO_TEXTURE];
    v->textured_fraction = inside ? (double)textured / inside : 0;
    if (!textured) return E_OK;
    v->covered_fraction = (double)count[TILE_COVERED] / textured;
    v->unsharp_before_fraction = (double)count[TILE_UNSHARP_BEFORE] / textured;
    v->unsharp_after_fraction = (double)count[TILE_UNSHARP_AFTER] / textured;
    return E_OK;
}
