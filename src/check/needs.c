#include <math.h>

#include "check/work.h"

/* A frame is needed when it is the one before or after a peak. One tile alone may be a neighbour's blur or
 * noise: a weak peak counts when a neighbouring tile peaks near it. */
#define ALONE_CONFIDENCE 0.95
#define LIKE_FRAMES      2.0
/* What is sharp in none is best in the end frame; so many tiles make that frame needed. */
#define END_TILES 3

static bool like_peak(const struct tile_curve *c, double at)
{
    for (int32_t k = 0; k < c->peak_count; k++)
        if (fabs(c->peak[k].at - at) <= LIKE_FRAMES) return true;
    return false;
}

static int32_t like_neighbours(const struct work *w, int32_t tile, double at)
{
    const int32_t rows = w->tiles.rows, cols = w->tiles.cols, r0 = tile / cols, c0 = tile % cols;
    int32_t n = 0;
    for (int32_t r = r0 - 1; r <= r0 + 1; r++)
        for (int32_t c = c0 - 1; c <= c0 + 1; c++) {
            const int32_t other = r * cols + c;
            if (r < 0 || r >= rows || c < 0 || c >= cols || other == tile) continue;
            n += like_peak(&w->curves[other], at);
        }
    return n;
}

static void need(struct work *w, double at)
{
    const int32_t low = (int32_t)floor(at), high = (int32_t)ceil(at);
    if (low >= 0 && low < w->tiles.frames) w->needed[low] = true;
    if (high >= 0 && high < w->tiles.frames) w->needed[high] = true;
}

bool needs_peak_counts(const struct work *w, int32_t tile, const struct tile_peak *p)
{
    const int32_t like = like_neighbours(w, tile, p->at);
    return like >= 2 || (like >= 1 && p->confidence >= ALONE_CONFIDENCE);
}

static void need_tile(struct work *w, int32_t tile)
{
    const struct tile_curve *c = &w->curves[tile];
    for (int32_t k = 0; k < c->peak_count; k++)
        if (needs_peak_counts(w, tile, &c->peak[k])) need(w, c->peak[k].at);
}

int needs_find(struct work *w, struct err *why)
{
    struct verdict *v = &w->v;
    int32_t before = 0, after = 0;
    for (int32_t tile = 0; tile < w->tiles.count; tile++) {
        const enum tile_state s = v->tiles[tile].state;
        before += s == TILE_UNSHARP_BEFORE;
        after += s == TILE_UNSHARP_AFTER;
        if (s != TILE_OUTSIDE && s != TILE_NO_TEXTURE) need_tile(w, tile);
    }
    if (before >= END_TILES) need(w, 0);
    if (after >= END_TILES) need(w, v->frames - 1);
    v->useful_first = v->useful_last = -1;
    for (int32_t i = 0; i < v->frames; i++) {
        if (!w->needed[i]) continue;
        if (v->useful_first < 0) v->useful_first = i;
        v->useful_last = i;
    }
    for (int32_t i = 0; i < v->frames; i++) {
        if (w->needed[i]) continue;
        int rc = frame_list_add(&v->unneeded, i, why);
        if (rc) return rc;
    }
    return E_OK;
}
