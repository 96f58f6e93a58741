/* slope.h - JPEG frames of a textured slope that comes into focus from left to right, for flows that need
 * real files. Defocus is a threefold box blur that grows with the distance from the plane of focus. */
#ifndef TESTS_SUPPORT_SLOPE_H
#define TESTS_SUPPORT_SLOPE_H

#include <stdint.h>

struct slope {
    int32_t frames; /* that cover the slope */
    int32_t width_px, height_px;
    int32_t first, last;   /* of these, 0-based, which are written; last 0: all */
    int32_t skip_at, skip; /* leaves out `skip` frames from this one on */
    uint32_t seed;
};

/* Writes dir/f0001.jpg ...; `dir` must exist. Returns how many. */
int32_t slope_write(const char *dir, const struct slope *);

#endif
