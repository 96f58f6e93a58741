#include <math.h>

#include "base/mem.h"
#include "check/work.h"

#define DEPTHS_MOST 120

static double place_of(const struct ridge *r, int32_t frames, double at)
{
    int32_t i = (int32_t)floor(at);
    if (frames < 2) return 0;
    i = i < 0 ? 0 : i > frames - 2 ? frames - 2 : i;
    return r->place[i] + (at - i) * (r->place[i + 1] - r->place[i]);
}

/* Belongs this frame to the k-th peak, and to no other thing in the tile that is in focus nearer by? */
static bool nearest(const struct tile_curve *c, int32_t k, int32_t frame)
{
    for (int32_t other = 0; other < c->peak_count; other++)
        if (other != k && fabs(c->peak[other].at - frame) < fabs(c->peak[k].at - frame)) return false;
    return true;
}

static int32_t depth_of(const struct ridge *r, int32_t frames, double at)
{
    const int32_t depth = (int32_t)floor(place_of(r, frames, at) / r->depth_spacings + 0.5);
    return depth < 0 ? 0 : depth >= r->depths ? r->depths - 1 : depth;
}

static void add_peak(struct work *w, int32_t tile, int32_t k, float *most)
{
    struct ridge *r = &w->v.ridge;
    const struct tile_curve *c = &w->curves[tile];
    const int32_t depth = depth_of(r, w->tiles.frames, c->peak[k].at);
    const size_t row = (size_t)depth * (size_t)w->tiles.frames;
    r->tiles[depth]++;
    for (int32_t i = c->first; i <= c->last; i++) {
        const double signal = tiles_signal(&w->tiles, c->scale, tile, i);
        if (isnan(signal) || !nearest(c, k, i)) continue;
        /* Energies: contrast goes as their root. */
        r->sharpness[row + (size_t)i] += (float)sqrt(fmin(signal, c->peak[k].height));
        most[row + (size_t)i] += (float)sqrt(c->peak[k].height);
    }
}

/* Every peak that is not alone: a part of the subject that some slice should show sharp. */
static void add_tile(struct work *w, int32_t tile, float *most)
{
    const enum tile_state s = w->v.tiles[tile].state;
    const struct tile_curve *c = &w->curves[tile];
    for (int32_t k = 0; (s == TILE_COVERED || s == TILE_GAP) && k < c->peak_count; k++)
        if (needs_peak_counts(w, tile, &c->peak[k])) add_peak(w, tile, k, most);
}

static int ridge_room(struct ridge *r, int32_t frames, struct err *why)
{
    const size_t cells = (size_t)r->depths * (size_t)frames;
    const bool ok = (r->place = mem_new((size_t)frames, sizeof *r->place, why)) &&
                    (r->tiles = mem_new((size_t)r->depths, sizeof *r->tiles, why)) &&
                    (r->sharpness = mem_new(cells, sizeof *r->sharpness, why));
    return ok ? E_OK : E_NOMEM;
}

int ridge_find(struct work *w, struct err *why)
{
    const int32_t frames = w->tiles.frames;
    struct ridge *r = &w->v.ridge;
    const double span = w->z[frames - 1];
    r->depth_spacings = fmax(1, ceil((span + 1) / DEPTHS_MOST));
    r->depths = (int32_t)floor(span / r->depth_spacings + 0.5) + 1;
    int rc = ridge_room(r, frames, why);
    if (rc) return rc;
    const size_t cells = (size_t)r->depths * (size_t)frames;
    float *most = mem_new(cells, sizeof *most, why);
    if (!most) return E_NOMEM;
    for (int32_t i = 0; i < frames; i++)
        r->place[i] = w->z[i];
    for (int32_t tile = 0; tile < w->tiles.count; tile++)
        add_tile(w, tile, most);
    for (size_t k = 0; k < cells; k++)
        if (most[k] > 0) r->sharpness[k] /= most[k];
    mem_free(most);
    return E_OK;
}
