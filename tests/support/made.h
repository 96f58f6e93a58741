/* made.h - measures of a stack that was never shot: sharpness by a formula, so that the right verdict is
 * known by construction.
 *
 * The energy of the Laplacian of a texture blurred by a disc of b pixels is taken as A (1 + (b / c)^2)^-1.5
 * with c = 2 px at full size, twice that at each coarser scale (the blur's cut-off goes as 1 / b, Born and
 * Wolf 8.8, from memory; the power is a choice). It is deliberately not the shape that check fits: power and
 * width are per texture. Noise adds its own energy with the spread of a sum of squares. */
#ifndef TESTS_SUPPORT_MADE_H
#define TESTS_SUPPORT_MADE_H

#include <stdbool.h>
#include <stdint.h>

#include "check/check.h"

struct made_opts {
    int32_t frames;
    const double *at;       /* place of each frame, spacings; NULL: 0, 1, 2, ... */
    double near_at, far_at; /* the subject is a ramp from left to right; NAN depth for no texture */
    double (*depth)(double x, double y); /* instead; x, y 0..1 of the first frame; NAN: no texture */
    double (*hair)(double x,
                   double y);  /* a second layer with a third of the energy; NAN where there is none */
    double blur_px;            /* a spacing out of focus; 0: 4 px */
    double noise;              /* sigma of the Laplacian, code values */
    double scale_step;         /* of the picture, a frame: 0.001 */
    const double *light_stops; /* [frame] */
    const double *shake_px;    /* [frame] blur of the whole frame, along x */
    const double *shift_px;    /* [frame] place of the picture along x */
    uint64_t seed;
};

struct made {
    int32_t frames;
    struct frame_measure *measures;
    const struct frame_measure **list;
    struct frame_row *rows;
};

void made_new(const struct made_opts *, struct made *);
void made_clear(struct made *);

/* check_stack on it; asserts success. */
void made_check(const struct made *, const struct check_input *extra, struct verdict *out);

#endif
