/* soil.c - what sits on the sensor: dust before it, whose shadow is soft because the light comes as a cone,
 * and pixels that gather charge without light. A hot pixel of a colour mosaic is spread by the interpolation
 * of its colour: bilinear here (a mosaic of two greens, a red and a blue). */
#include <math.h>

#include "base/mem.h"
#include "sim/hash.h"
#include "sim/inside.h"

#define DUST_REACH_LEAST 0.007 /* radius, of the width: a few pixels to a few dozen */
#define DUST_REACH_MORE  0.010
#define DUST_DEPTH_LEAST 0.12 /* of the light, in the middle of the shadow */
#define DUST_DEPTH_MORE  0.20
#define HOT_LEAST        0.25 /* of full scale, in an exposure that is right for the lamp */
#define HOT_MORE         0.35
#define EDGE             0.04 /* of the picture, that stays clean: nothing else than dust itself tells there */

static struct world_spot make_spot(const struct world *w, bool hot, int32_t i)
{
    const uint64_t seed = hash_mix(w->seed, hot ? 141 : 142), k = 8 * (uint64_t)i;
    const double wide = w->camera.width_px, tall = w->camera.height_px;
    const double x = EDGE * wide + (1 - 2 * EDGE) * wide * hash_unit(seed, k),
                 y = EDGE * tall + (1 - 2 * EDGE) * tall * hash_unit(seed, k + 1);
    struct world_spot s = {.hot = hot, .x_px = floor(x) + 0.5, .y_px = floor(y) + 0.5, .radius_px = 0.5};
    s.strength = hot ? HOT_LEAST + HOT_MORE * hash_unit(seed, k + 2)
                     : DUST_DEPTH_LEAST + DUST_DEPTH_MORE * hash_unit(seed, k + 2);
    s.colour = hot ? (int)(hash_mix(seed, k + 3) % 3) : 0;
    if (!hot) s.radius_px = wide * (DUST_REACH_LEAST + DUST_REACH_MORE * hash_unit(seed, k + 4));
    return s;
}

int soil_make(struct world *w, int32_t dust, int32_t hot, struct err *why)
{
    if (dust + hot < 1) return E_OK;
    w->spots = mem_new((size_t)dust + (size_t)hot, sizeof *w->spots, why);
    if (!w->spots) return E_NOMEM;
    for (int32_t i = 0; i < dust; i++)
        w->spots[w->spot_count++] = make_spot(w, false, i);
    for (int32_t i = 0; i < hot; i++)
        w->spots[w->spot_count++] = make_spot(w, true, i);
    return E_OK;
}

bool soil_on_row(const struct world *w, int32_t y)
{
    for (int32_t i = 0; i < w->spot_count; i++)
        if (fabs(y + 0.5 - w->spots[i].y_px) <= w->spots[i].radius_px + 1) return true;
    return false;
}

static double shadow(const struct world_spot *s, double dx, double dy)
{
    const double r2 = (dx * dx + dy * dy) / (s->radius_px * s->radius_px);
    return r2 >= 1 ? 1 : 1 - s->strength * (1 - r2) * (1 - r2);
}

/* Of the charge that its own pixel has. */
static double spread(const struct world_spot *s, double dx, double dy)
{
    const double away = fabs(dx) + fabs(dy);
    if (fabs(dx) > 1.5 || fabs(dy) > 1.5) return 0;
    if (away < 0.5) return 1;
    if (s->colour == 1) return away < 1.5 ? 0.25 : 0;
    return away < 1.5 ? 0.5 : 0.25;
}

double soil_at(const struct world *w, int32_t x, int32_t y, v4 *more_out)
{
    double left = 1;
    *more_out = v4_all(0);
    for (int32_t i = 0; i < w->spot_count; i++) {
        const struct world_spot *s = &w->spots[i];
        const double dx = x + 0.5 - s->x_px, dy = y + 0.5 - s->y_px;
        if (s->hot)
            (*more_out)[s->colour] += (float)(s->strength * spread(s, dx, dy));
        else
            left *= shadow(s, dx, dy);
    }
    return left;
}

int32_t world_spots(const struct world *w, const struct world_spot **out)
{
    *out = w->spots;
    return w->spot_count;
}
