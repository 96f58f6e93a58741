/* scene_ruler.c - a steel rule that leans back from left to right: a plane from the near end of the scene at
 * the frame's left edge to its far end at the right one. Engraved marks, and between them the grain of ground
 * steel, so that something is sharp wherever the plane of focus cuts it. */
#include <math.h>
#include <stdlib.h>

#include "base/mem.h"
#include "sim/inside.h"
#include "sim/texture.h"

#define MARK_PX    14.0 /* from mark to mark as seen, at least */
#define MARK_SHARE 0.25 /* of that, a mark's width */
#define GRAIN_PX   1.25 /* the finest of it */
#define STEEL      0.45f
#define ENGRAVED   0.05f

struct rule {
    double mark_px, middle_px, height_px, near_um, slope_um;
    uint32_t seed;
};

/* 1, 2 or 5 times a power of ten, at least so much: as rules are divided. */
static double division_um(double least_um)
{
    static const int SERIES[] = {1, 2, 5};
    for (int ten = 1; ten < 1000000; ten *= 10)
        for (int i = 0; i < 3; i++)
            if (SERIES[i] * ten >= least_um) return SERIES[i] * ten;
    return least_um;
}

static struct rule rule_for(const struct scene_frame *f)
{
    const double slope = f->depth_um / (f->width_px - 1); /* um deeper a pixel */
    const double along = hypot(f->pixel_um, slope);       /* um of steel a pixel */
    return (struct rule){.mark_px = division_um(MARK_PX * along) / along,
                         .middle_px = (f->width_px - 1) / 2.0,
                         .height_px = f->height_px,
                         .near_um = f->near_um,
                         .slope_um = slope,
                         .seed = (uint32_t)hash_mix(f->seed, 8)};
}

/* Share of a pixel that is engraved; every fifth and tenth mark is longer. */
static float engraved(const struct rule *r, double x, double y)
{
    const double n = round((x - r->middle_px) / r->mark_px);
    const long mark = labs((long)n);
    const double length = mark % 10 == 0 ? 0.62 : mark % 5 == 0 ? 0.48 : 0.36;
    const double off = fabs(x - r->middle_px - n * r->mark_px), half = MARK_SHARE * r->mark_px / 2;
    const double across = fmin(fmax(half + 0.5 - off, 0), 1);
    return (float)(across * fmin(fmax(length * r->height_px - y, 0), 1));
}

static v4 steel(const struct rule *r, double x, double y)
{
    const float grain = octaves(r->seed, x, y, 12, GRAIN_PX, 0.9f, 1, 2.5);
    const float bright = fmaxf(STEEL * (1 + 0.45f * grain), 0.02f), cut = engraved(r, x, y);
    const float light = bright + cut * (ENGRAVED - bright);
    return (v4){light, light, 1.02f * light, 1};
}

int scene_ruler(struct scene *scene, const struct scene_frame *f, struct err *why)
{
    const struct rule r = rule_for(f);
    const struct rect room = scene_room(f);
    const int32_t w = room.x1 - room.x0, h = room.y1 - room.y0;
    const size_t n = (size_t)w * (size_t)h;
    struct sheet *s = scene_add(scene, why);
    if (!s) return E_NOMEM;
    s->at = s->room = room;
    s->backdrop = true;
    s->depth_um = r.near_um;
    v4 *rgba = mem_new(n, sizeof *rgba, why);
    float *deeper = rgba ? mem_new(n, sizeof *deeper, why) : NULL; /* a relief: steeper than a plane may be */
    size_t i = 0;
    for (int32_t y = room.y0; deeper && y < room.y1; y++)
        for (int32_t x = room.x0; x < room.x1; x++, i++) {
            rgba[i] = steel(&r, x, y);
            deeper[i] = (float)(r.slope_um * x);
        }
    const int rc = deeper ? sheet_build(s, rgba, deeper, why) : E_NOMEM;
    mem_free(rgba);
    mem_free(deeper);
    return rc;
}
