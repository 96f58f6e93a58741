/* texture.h - patterns without a picture: smooth noise on a lattice, octave upon octave down to what a pixel
 * can show. */
#ifndef STADDLE_SIM_TEXTURE_H
#define STADDLE_SIM_TEXTURE_H

#include <math.h>
#include <stdint.h>

#include "sim/hash.h"

static inline float lattice(uint32_t seed, int32_t x, int32_t y)
{
    uint32_t h = hash32(((uint32_t)x * 0x9e3779b1u) ^ hash32((uint32_t)y + seed));
    return (float)(h >> 8) * (2.0f / 16777215.0f) - 1.0f;
}

/* -1 .. 1; features about one unit across. */
static inline float noise_at(uint32_t seed, double x, double y)
{
    double fx = floor(x), fy = floor(y);
    int32_t ix = (int32_t)fx, iy = (int32_t)fy;
    float tx = (float)(x - fx), ty = (float)(y - fy);
    tx = tx * tx * (3 - 2 * tx);
    ty = ty * ty * (3 - 2 * ty);
    float a = lattice(seed, ix, iy), b = lattice(seed, ix + 1, iy);
    float c = lattice(seed, ix, iy + 1), d = lattice(seed, ix + 1, iy + 1);
    float top = a + tx * (b - a), low = c + tx * (d - c);
    return top + ty * (low - top);
}

/* Octaves from features of size `coarse` to `fine` (same units as x and y), each finer one `gain` times as
 * strong; `stretch_x`, `stretch_y`: how much longer than wide. About -1 .. 1. */
static inline float octaves(uint32_t seed, double x, double y, double coarse, double fine, float gain,
                            double stretch_x, double stretch_y)
{
    float sum = 0, weight = 1, total = 0;
    int count = coarse >= fine ? 1 + (int)floor(log2(coarse / fine)) : 0;
    double size = coarse;
    for (int i = 0; i < count; i++, size *= 0.5, weight *= gain) {
        sum += weight * noise_at(seed++, x / (size * stretch_x), y / (size * stretch_y));
        total += weight;
    }
    return total > 0 ? sum / sqrtf(total) : 0;
}

#endif
