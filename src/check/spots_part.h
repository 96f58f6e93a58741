/* spots_part.h - what spots*.c share; nobody else includes it. */
#ifndef STADDLE_CHECK_SPOTS_PART_H
#define STADDLE_CHECK_SPOTS_PART_H

#include "check/work.h"

#define SPOT_FRAMES_MOST 40
#define SPOT_FRAMES_TELL 5 /* in which the subject is out of focus there */

struct found {
    float excess;
    int32_t x_px, y_px;
};

struct spot_look {
    const struct work *w;
    int32_t frames, frame[SPOT_FRAMES_MOST]; /* of the stack */
    int32_t cells, cols, thumb_w, thumb_h;
    double noise;            /* sigma of the full-size Laplacian, middle of the frames */
    float *near;             /* [k * tiles + tile] spacings from the tile's nearest peak */
    struct found *brightest; /* [cell * frames + k] */
    uint8_t *thumb;          /* [k * pixels] */
    double per_blur_px;      /* blur disc at one spacing from focus, px; 0 unknown */
};

/* Spacings from the nearest focus of what is seen in a frame at a place and up to reach_px around it: what is
 * sharp beside a place makes dips and peaks there, too. INFINITY without texture, NAN beyond the tiles. */
double spots_away(const struct spot_look *, int32_t k, double x_px, double y_px, double reach_px);

int spots_add(struct verdict *, const struct sensor_spot *, struct err *);

/* spots_hot.c, spots_dust.c */
int spots_find_hot(const struct spot_look *, struct verdict *, struct err *);
int spots_find_dust(const struct spot_look *, struct verdict *, struct err *);

#endif
