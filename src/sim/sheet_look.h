/* sheet_look.h - what a sheet shows at a place. Here and not in sheet.c, since a picture asks it for every
 * point of every surface: the compiler builds it into the loops that do. */
#ifndef STADDLE_SIM_SHEET_LOOK_H
#define STADDLE_SIM_SHEET_LOOK_H

#include <stddef.h>

#include "sim/sheet.h"

static inline int32_t sheet_held(int32_t i, int32_t n)
{
    return i < 0 ? 0 : i >= n ? n - 1 : i;
}

/* A place in the pixels of a level: whole part and rest. False outside the sheet. */
struct sheet_spot {
    int32_t x, y;
    float fx, fy;
};

static inline bool sheet_locate(const struct sheet *s, int level, double x, double y, struct sheet_spot *at)
{
    static const double share[SHEET_LEVELS] = {1, 1.0 / 2, 1.0 / 4, 1.0 / 8, 1.0 / 16};
    double u = (x - s->at.x0 + 0.5) * share[level] - 0.5, v = (y - s->at.y0 + 0.5) * share[level] - 0.5;
    const struct sheet_level *l = &s->level[level];
    if (!(u > -1 && v > -1 && u < l->w && v < l->h)) return false;
    at->x = (int32_t)(u + 1) - 1;
    at->y = (int32_t)(v + 1) - 1;
    at->fx = (float)(u - at->x);
    at->fy = (float)(v - at->y);
    return true;
}

/* Depth at a place, by the picture of that level. */
static inline double sheet_relief_um(const struct sheet *s, int level, double x, double y)
{
    if (!sheet_unfolded(s, x, y)) {
        x = sheet_mirrored(x, s->room.x0, s->room.x1);
        y = sheet_mirrored(y, s->room.y0, s->room.y1);
    }
    double z = sheet_plane_um(s, x, y);
    const struct sheet_level *l = &s->level[level];
    struct sheet_spot at;
    if (!l->relief_um || !sheet_locate(s, level, x, y, &at)) return z;
    int32_t x0 = sheet_held(at.x, l->w), x1 = sheet_held(at.x + 1, l->w);
    const float *top = l->relief_um + (size_t)sheet_held(at.y, l->h) * (size_t)l->w;
    const float *low = l->relief_um + (size_t)sheet_held(at.y + 1, l->h) * (size_t)l->w;
    float a = top[x0] + at.fx * (top[x1] - top[x0]), b = low[x0] + at.fx * (low[x1] - low[x0]);
    return z + (double)(a + at.fy * (b - a));
}

/* Of the four samples around, along x and along y. */
static inline void sheet_weights(float fx, float fy, v4 wx[4], v4 wy[4])
{
    const v4 q = {1 - fx, fx, 1 - fy, fy};
    const v4 far = q * q * q / v4_all(6),
             near = (v4_all(4) - v4_all(3) * q * q * (v4_all(2) - q)) / v4_all(6);
    wx[0] = v4_all(far[0]);
    wx[1] = v4_all(near[1]);
    wx[2] = v4_all(near[0]);
    wx[3] = v4_all(far[1]);
    wy[0] = v4_all(far[2]);
    wy[1] = v4_all(near[3]);
    wy[2] = v4_all(near[2]);
    wy[3] = v4_all(far[3]);
}

static inline v4 sheet_by_spline(const struct sheet_level *l, const struct sheet_spot *at)
{
    v4 wx[4], wy[4], sum = v4_all(0);
    sheet_weights(at->fx, at->fy, wx, wy);
    const bool inside = at->x >= 1 && at->y >= 1 && at->x + 2 < l->w && at->y + 2 < l->h;
    for (int32_t j = 0; j < 4; j++) {
        const int32_t y = inside ? at->y - 1 + j : sheet_held(at->y - 1 + j, l->h);
        const s4 *row = l->rgba + (size_t)y * (size_t)l->w;
        s4 own[4];
        for (int32_t i = 0; i < 4 && !inside; i++)
            own[i] = row[sheet_held(at->x - 1 + i, l->w)];
        v4 a, b, c, d;
        v4_of_two(inside ? row + (at->x - 1) : own, &a, &b);
        v4_of_two(inside ? row + (at->x + 1) : own + 2, &c, &d);
        sum += wy[j] * (v4_all(0) + wx[0] * a + wx[1] * b + wx[2] * c + wx[3] * d);
    }
    return sum;
}

/* Colour and coverage there; by cubic spline. Not below 0, coverage not above 1. */
static inline v4 sheet_colour(const struct sheet *s, int level, double x, double y)
{
    struct sheet_spot at;
    if (!sheet_unfolded(s, x, y)) {
        x = sheet_mirrored(x, s->room.x0, s->room.x1);
        y = sheet_mirrored(y, s->room.y0, s->room.y1);
    }
    if (!sheet_locate(s, level, x, y, &at)) return v4_all(0);
    const struct sheet_level *l = &s->level[level];
    return sheet_by_spline(l, &at) * v4_all(1.0f / SHEET_ONE);
}

static inline double sheet_depth_um(const struct sheet *s, int level, double x, double y)
{
    if (!s->level[0].relief_um && sheet_unfolded(s, x, y)) return sheet_plane_um(s, x, y);
    return sheet_relief_um(s, level, x, y);
}

#endif
