/* sheet.h - one surface of the scene: colour, coverage and depth over a rectangle of the plane of focus.
 *
 * Sheets lie one behind the other and do not cross; each is whole, also where a nearer one hides it.
 * Coordinates are pixels of a frame at scale one, pixel (0, 0) being the frame's first; depths are
 * micrometres of axis position. A sheet is kept at five sizes, each half of the one before, for the large
 * blurs. */
#ifndef STADDLE_SIM_SHEET_H
#define STADDLE_SIM_SHEET_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "sim/vec.h"

#define SHEET_LEVELS 5
#define SHEET_ALIGN  16 /* 1 << (SHEET_LEVELS - 1) */
#define SHEET_TILE   16
#define SHEET_ONE    8192 /* 1.0 in the 16-bit pictures */

struct rect {
    int32_t x0, y0, x1, y1; /* x1, y1 beyond the last */
};

struct sheet_level {
    int32_t w, h;
    s4 *rgba;         /* coefficients of a cubic spline */
    float *relief_um; /* on top of the plane; NULL: flat */
};

struct sheet_tile {
    float nearest_um, farthest_um;
    bool any, all; /* covered anywhere, everywhere */
};

struct sheet {
    struct rect at;   /* multiples of SHEET_ALIGN */
    struct rect room; /* of the whole scene: beyond it everything is seen as in a mirror */
    double depth_um, slope_x_um, slope_y_um; /* of the plane: at pixel (0, 0), and a pixel */
    bool backdrop;                           /* nothing lies behind it */
    bool thin;                               /* a hair: what lies behind matters as much */
    uint8_t *unknown;                        /* 1 where the depth is a guess and no truth; NULL: nowhere */
    struct sheet_level level[SHEET_LEVELS];
    int32_t tile_cols, tile_rows;
    struct sheet_tile *tiles;
};

/* Fills a sheet whose rectangle, plane and flags are set, from colours multiplied by coverage (changed by
 * this) and relief (NULL: flat), both the rectangle's size. On success the sheet owns copies. */
int sheet_build(struct sheet *, v4 *rgba, const float *relief_um, struct err *);
void sheet_clear(struct sheet *);

/* Rounds a rectangle outward to multiples of SHEET_ALIGN, with as much room around it, within `room`. */
struct rect rect_aligned(struct rect content, struct rect room);

/* Whether a place lies within the room, so that no mirror is needed. */
static inline bool sheet_unfolded(const struct sheet *s, double x, double y)
{
    return x >= s->room.x0 && y >= s->room.y0 && x <= s->room.x1 - 1 && y <= s->room.y1 - 1;
}

static inline double sheet_plane_um(const struct sheet *s, double x, double y)
{
    return s->depth_um + s->slope_x_um * x + s->slope_y_um * y;
}

/* Into [lo - 1/2, hi - 1/2] by reflection at its ends: what is seen beyond the scene. */
double sheet_mirrored(double x, int32_t lo, int32_t hi);
/* What a rectangle of places may hold, at most. */
struct sheet_tile sheet_bounds(const struct sheet *, double x0, double y0, double x1, double y1);
bool sheet_unknown(const struct sheet *, double x, double y);

#endif
