/* ruler_picture.h - pictures of rulers, drawn from their geometry: a mark is a dark bar on bright ground,
 * every fifth and tenth is longer; the picture plane may be tilted against the ruler. Sampled 4 x 4 times a
 * pixel along the ruler; truth is the geometry. */
#ifndef TESTS_SUPPORT_RULER_PICTURE_H
#define TESTS_SUPPORT_RULER_PICTURE_H

#include <stdint.h>

struct ruler_drawn {
    int32_t w, h;
    double period_px, angle_deg; /* in the middle of the picture */
    double mark;                 /* its width, in periods; 0: 0.2 */
    double length[3];            /* of ordinary, fifth and tenth marks, in periods; 0: 4, 5, 6 */
    double blur_px, noise;       /* sigma; code values */
    double tilt;     /* relative change of the period across the picture's width, along the ruler */
    double keystone; /* the same across it */
    double offset;   /* of the ruler's edge across, px from the middle */
    uint64_t seed;
};

/* w x h luma; free() it. */
uint8_t *ruler_draw(const struct ruler_drawn *);

#endif
