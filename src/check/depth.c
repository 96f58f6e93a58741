#include <math.h>

#include "base/units.h"
#include "check/work.h"

/* Place of the axis between two frames; a peak may lie up to half a frame beyond the ends. */
static double place_um(const struct check_input *in, double at)
{
    int32_t i = (int32_t)floor(at);
    if (in->frames < 2) return um_from_nm(in->place_nm[0]);
    if (i < 0) i = 0;
    if (i > in->frames - 2) i = in->frames - 2;
    const double a = um_from_nm(in->place_nm[i]), b = um_from_nm(in->place_nm[i + 1]);
    return a + (at - i) * (b - a);
}

static void add_depth(struct depth_verdict *d, double um)
{
    d->nearest_um = d->known ? fmin(d->nearest_um, um) : um;
    d->deepest_um = d->known ? fmax(d->deepest_um, um) : um;
    d->known = true;
}

void depth_find(struct work *w)
{
    struct verdict *v = &w->v;
    for (int32_t tile = 0; tile < w->tiles.count; tile++) {
        struct tile_verdict *t = &v->tiles[tile];
        for (int32_t k = 0; k < t->peak_count; k++) {
            const double um = w->in->place_nm ? place_um(w->in, (double)t->peak[k]) : NAN;
            t->peak_um[k] = (float)um;
            if (isnan(um) || t->state == TILE_OUTSIDE || t->state == TILE_NO_TEXTURE) continue;
            if (needs_peak_counts(w, tile, &w->curves[tile].peak[k])) add_depth(&v->depth, um);
        }
    }
}
