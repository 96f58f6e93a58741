/* veil.h - what is laid over the frames of a stack after they are shot, in linear light, at a depth of its
 * own: a wing's veins, which take light away, and glints, which add some. Both blur by the disc of a thin
 * lens (Born and Wolf 4.8, from memory: its diameter grows with the distance from focus) and grow as the rail
 * comes nearer. */
#ifndef TESTS_SUPPORT_VEIL_H
#define TESTS_SUPPORT_VEIL_H

#include "tests/support/shoot.h"

struct glint {
    double x_px, y_px; /* in the frame that is focused at 0 */
    double at_nm;      /* where its image lies: that of a lamp in a curved face, not the face */
    double wander_px;  /* to the right a spacing, since the pupil sees it by another part of the face */
    double light;      /* times full light, over its disc of one pixel */
};

struct veil {
    const struct shoot *s;
    /* Share of light that is taken at a place of the frame that is focused at 0; NULL: no wing. */
    double (*taken)(double x_px, double y_px);
    double at_nm, strength; /* of the wing */
    const struct glint *glint;
    int32_t glints;
};

/* From now on the frames of `s` are shot through it; it has to outlive them. */
void veil_on(struct shoot *s, struct veil *);

#endif
