#include <math.h>
#include <stdio.h>

#include "base/mem.h"
#include "check/robust.h"
#include "check/work.h"

#define WEAK_PLACES ((int32_t)(sizeof((struct verdict *)0)->weakest / sizeof(struct weak_place)))
#define WINDOW_PX   240 /* shown at 100 %: fits three beside each other on a screen */
#define APART_TILES 6   /* between two places, so that three places are shown and not one three times */

/* How sharp a tile is in its best frame, whatever its contrast: fine against coarse structure. */
static double fineness(const struct tiles *t, int32_t tile, int32_t frame)
{
    const double fine = tiles_signal(t, 0, tile, frame) + tiles_signal(t, 1, tile, frame);
    const double coarse = tiles_signal(t, 2, tile, frame) + tiles_signal(t, 3, tile, frame);
    return coarse > 0 ? sqrt(fine / coarse) : 0;
}

static int32_t best_frame(const struct work *w, int32_t tile)
{
    const enum tile_state s = w->v.tiles[tile].state;
    const struct tile_curve *c = &w->curves[tile];
    if (s == TILE_UNSHARP_BEFORE) return c->first;
    if (s == TILE_UNSHARP_AFTER) return c->last;
    int32_t i = c->peak_count ? (int32_t)lround(c->peak[0].at) : c->last;
    return i < 0 ? 0 : i >= w->tiles.frames ? w->tiles.frames - 1 : i;
}

static bool counts(enum tile_state s)
{
    return s != TILE_OUTSIDE && s != TILE_NO_TEXTURE;
}

static int set_sharpness(struct work *w, struct err *why)
{
    double *room = mem_new((size_t)w->tiles.count, sizeof *room, why);
    if (!room) return E_NOMEM;
    int32_t n = 0;
    for (int32_t tile = 0; tile < w->tiles.count; tile++) {
        struct tile_verdict *tv = &w->v.tiles[tile];
        if (!counts(tv->state)) continue;
        const double f = fineness(&w->tiles, tile, best_frame(w, tile));
        tv->sharpness = isnan(f) ? 0 : (float)f;
        room[n++] = (double)tv->sharpness;
    }
    const double middle = n ? robust_median(room, n) : 0;
    for (int32_t tile = 0; tile < w->tiles.count; tile++)
        if (middle > 0) w->v.tiles[tile].sharpness /= (float)middle;
    mem_free(room);
    return E_OK;
}

/* Contrast that is lost because the peak lies between two frames. */
static double between(const struct work *w, int32_t tile)
{
    const struct tile_verdict *tv = &w->v.tiles[tile];
    if (!tv->peak_count) return 0;
    const double off = (double)tv->peak[0] - round((double)tv->peak[0]);
    return 1 - exp(shape_log(&w->shape, 1, off) / 2);
}

static double doubt(const struct tile_verdict *tv)
{
    return tv->peak_count ? 1 - (double)tv->confidence[0] : 1;
}

static double softness(const struct tile_verdict *tv)
{
    return 1 - fmin(1, (double)tv->sharpness);
}

/* Larger is worse. What is sharp in no frame comes first, then what only a bad frame shows, then the softest.
 */
static double worry(const struct work *w, int32_t tile)
{
    const struct tile_verdict *tv = &w->v.tiles[tile];
    switch (tv->state) {
    case TILE_UNSHARP_BEFORE:
    case TILE_UNSHARP_AFTER:
        return 4 + fmin(tv->beyond, 20) / 20;
    case TILE_GAP:
        return 3;
    case TILE_COVERED:
        break;
    default:
        return 0;
    }
    const struct tile_curve *c = &w->curves[tile];
    if (c->first > 0 || c->last + 1 < w->tiles.frames) return 0; /* leaves the picture: cropped when merged */
    return (w->blurred[best_frame(w, tile)] ? 1 : 0) + between(w, tile) + 0.5 * doubt(tv) +
           0.3 * softness(tv);
}

/* Mean over the tile and its neighbours: one odd tile is noise, a patch is a place. */
static double worry_around(const struct work *w, int32_t tile)
{
    const int32_t rows = w->tiles.rows, cols = w->tiles.cols, r0 = tile / cols, c0 = tile % cols;
    double sum = 0;
    int32_t n = 0;
    for (int32_t r = r0 - 1; r <= r0 + 1; r++)
        for (int32_t c = c0 - 1; c <= c0 + 1; c++) {
            if (r < 0 || r >= rows || c < 0 || c >= cols) continue;
            const int32_t other = r * cols + c;
            if (!counts(w->v.tiles[other].state)) continue;
            sum += worry(w, other);
            n++;
        }
    return n ? worry(w, tile) / 2 + sum / n : 0;
}

static bool far_from_chosen(const struct work *w, int32_t tile, const int32_t *chosen, int32_t count)
{
    for (int32_t k = 0; k < count; k++) {
        const int32_t dr = tile / w->tiles.cols - chosen[k] / w->tiles.cols;
        const int32_t dc = tile % w->tiles.cols - chosen[k] % w->tiles.cols;
        if (dr * dr + dc * dc < APART_TILES * APART_TILES) return false;
    }
    return true;
}

static void say_reason(const struct work *w, int32_t tile, struct weak_place *p)
{
    const struct tile_verdict *tv = &w->v.tiles[tile];
    switch (tv->state) {
    case TILE_UNSHARP_BEFORE:
        snprintf(p->reason, sizeof p->reason, "sharpest in the first frame and still getting sharper there");
        return;
    case TILE_UNSHARP_AFTER:
        snprintf(p->reason, sizeof p->reason, "sharpest in the last frame and still getting sharper there");
        return;
    case TILE_GAP:
        snprintf(p->reason, sizeof p->reason, "in focus only in a hole between two frames");
        return;
    default:
        break;
    }
    if (w->blurred[p->frame])
        snprintf(p->reason, sizeof p->reason, "its best frame is blurred");
    else if (0.5 * doubt(tv) > between(w, tile) && doubt(tv) > softness(tv))
        snprintf(p->reason, sizeof p->reason, "little texture: its sharpness is hard to tell");
    else if (between(w, tile) > 0.3 * softness(tv))
        snprintf(p->reason, sizeof p->reason, "in focus between two frames: %.0f %% of its contrast is left",
                 100 * (1 - between(w, tile)));
    else
        snprintf(p->reason, sizeof p->reason, "soft in its best frame: %.0f %% of the usual fineness",
                 100 * (double)tv->sharpness);
}

static int32_t window_at(double centre, int32_t size, int32_t whole)
{
    const double at = centre - size / 2.0;
    return at < 0 ? 0 : at > whole - size ? whole - size : (int32_t)lround(at);
}

static void place_window(const struct work *w, int32_t tile, struct weak_place *p)
{
    double x, y;
    tiles_corner(&w->tiles, tile, &x, &y);
    tiles_follow(&w->tiles, p->frame, x + w->tiles.tile_px / 2.0, y + w->tiles.tile_px / 2.0, &x, &y);
    p->at_x_px = (int32_t)fmin(fmax(round(x), 0), w->tiles.width_px - 1);
    p->at_y_px = (int32_t)fmin(fmax(round(y), 0), w->tiles.height_px - 1);
    p->w_px = w->tiles.width_px < WINDOW_PX ? w->tiles.width_px : WINDOW_PX;
    p->h_px = w->tiles.height_px < WINDOW_PX ? w->tiles.height_px : WINDOW_PX;
    p->x_px = window_at(x, p->w_px, w->tiles.width_px);
    p->y_px = window_at(y, p->h_px, w->tiles.height_px);
}

int weak_find(struct work *w, struct err *why)
{
    int rc = set_sharpness(w, why);
    if (rc) return rc;
    int32_t chosen[WEAK_PLACES];
    for (int32_t k = 0; k < WEAK_PLACES; k++) {
        double most = 0;
        int32_t at = -1;
        for (int32_t tile = 0; tile < w->tiles.count; tile++) {
            if (!counts(w->v.tiles[tile].state) || !far_from_chosen(w, tile, chosen, k)) continue;
            const double here = worry_around(w, tile);
            if (here > most) {
                most = here;
                at = tile;
            }
        }
        if (at < 0) break;
        chosen[k] = at;
        struct weak_place *p = &w->v.weakest[w->v.weakest_count++];
        p->frame = best_frame(w, at);
        p->sharpness = w->v.tiles[at].sharpness;
        place_window(w, at, p);
        say_reason(w, at, p);
    }
    return E_OK;
}
