/* register_part.h - what the files of the registration share; used only by register*.c and spectrum.c. */
#ifndef STADDLE_IMAGE_REGISTER_PART_H
#define STADDLE_IMAGE_REGISTER_PART_H

#include <stdbool.h>

#include "image/register.h"

#define VIEW_LEVELS_MOST 6

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

/* What the tiles say about a small correction of the warp: A t = b, least squares of B - gain J over
 * gradients. */
struct tile_sum {
    double x, y; /* centre, px of the level from the picture's centre */
    double xx, xy, yy, bx, by;
    double correlation; /* -1..1 */
    double weight;      /* of the robust fit, 0..1; written by register_fit */
};

/* Robust (dx, dy, relative scale) that the tiles agree on; false when they do not tell. `tight_px`:
 * deviations below that are not doubted. */
bool register_fit(struct tile_sum *tiles, int count, double tight_px, struct warp *correction);

#endif
