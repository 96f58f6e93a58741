/* register_part.h - what the files of the registration share; used only by register*.c and spectrum.c. */
#ifndef STADDLE_IMAGE_REGISTER_PART_H
#define STADDLE_IMAGE_REGISTER_PART_H

#include <stdbool.h>
#include <stddef.h>

#include "image/register.h"

#define VIEW_LEVELS_MOST   6
#define REGISTER_MARGIN    6 /* px of a level at its border that the band-pass has spoilt */
#define REGISTER_TAPS      6 /* Lagrange, fifth order */
#define REGISTER_LANES     8 /* sums that run side by side, so that the compiler may use wide registers */
#define REGISTER_PERIOD_PX 256
#define REGISTER_TILES     400

struct view_level {
    int32_t width, height;
    float *plane; /* band-passed */
};

/* Level 0 is the picture reduced by `factor`; each further one half of that before it. */
struct register_view {
    int32_t full_width, full_height, factor, levels;
    struct view_level level[VIEW_LEVELS_MOST];
};

/* Transforms of a few sizes, made when first needed. */
struct spectrum;
struct spectrum *spectrum_new(struct err *why);
void spectrum_free(struct spectrum *);

/* Phase correlation as in register.h. `soften` > 0 adds that share of the mean magnitude to every divisor,
 * which keeps frequencies without power from speaking. */
int spectrum_phase_correlation(struct spectrum *, int32_t width, int32_t height, const float *before,
                               const float *now, float soften, float *out, struct err *why);

/* Cyclic autocorrelation, 1 at (0, 0). All zero for an empty plane. */
int spectrum_autocorrelation(struct spectrum *, int32_t width, int32_t height, const float *plane, float *out,
                             struct err *why);

/* Where a level's point lies in the next picture: p -> scale * p + (dx, dy), from the centre, in pixels of
 * the level. */
struct warp {
    double dx, dy, scale;
};

/* The buffers are large enough for such a level; planes of wallpaper's search fit, too. */
int register_make_room(struct register_space *, int32_t width, int32_t height, struct err *why);

/* What the tiles say about a small correction of the warp: A t = b, least squares of B - gain J over
 * gradients. */
struct tile_sum {
    double x, y; /* centre, px of the level from the picture's centre */
    double xx, xy, yy, bx, by;
    double correlation; /* -1..1 */
    double certainty;   /* of its equations: one over the mean square of what the fit leaves */
    double weight;      /* of the robust fit, 0..1; written by register_fit */
};

/* Robust (dx, dy, relative scale) that the tiles agree on, and the sigma of each as the tiles' structure and
 * scatter let expect it; false when they do not tell. `tight`: deviations of fewer of a tile's own sigmas are
 * not doubted. */
bool register_fit(struct tile_sum *tiles, int count, double tight, struct warp *correction,
                  struct warp *error);

struct register_space {
    struct spectrum *spectrum;
    float *a, *b, *c, *d; /* planes of the largest level seen */
    size_t room;
    float *weights;   /* REGISTER_TAPS per column */
    int32_t *columns; /* first sample of each column */
    float *row;       /* with REGISTER_TAPS more at either end */
    size_t row_room;
    struct tile_sum tiles[REGISTER_TILES];
};

/* Pixels x0..x1, y0..y1 of a level, the last ones not included. */
struct box {
    int32_t x0, y0, x1, y1;
};

struct whole_shift {
    int32_t x, y;
};

/* The whole shift of the smallest level that matches best; *decisive when no other one comes near. */
int register_coarse_shift(struct register_space *, const struct view_level *before,
                          const struct view_level *now, struct whole_shift *best, bool *decisive,
                          struct err *why);

/* Adds a rough scale from the whole-pixel shifts of nine tiles around the common one. */
void register_coarse_scale(const struct view_level *before, const struct view_level *now,
                           const struct whole_shift *common, struct warp *warp);

/* True when the middle of the level looks like itself a few pixels away: wallpaper. */
int register_is_periodic(struct register_space *, const struct view_level *, bool *out, struct err *why);

/* One correction of the warp, around the picture's centre (cx, cy) in pixels of the level; *step tells how
 * large it was, *error how far off the warp may still be (sigma). False when the level does not tell. */
bool register_improve(struct register_space *, const struct view_level *before, const struct view_level *now,
                      double cx, double cy, struct warp *warp, int *tiles, struct warp *step,
                      struct warp *error);

#endif
