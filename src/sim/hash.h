/* hash.h - random numbers that depend on what they are for, never on the order in which they are drawn.
 *
 * A number is a function of a seed and a counter (a pixel, a time, a blade of the brush), mixed by the
 * finaliser of A. Appleby's public-domain hash (two multiplications, three shifts). Same bits on any machine.
 */
#ifndef STADDLE_SIM_HASH_H
#define STADDLE_SIM_HASH_H

#include <stdint.h>

static inline uint32_t hash32(uint32_t x)
{
    x ^= x >> 16;
    x *= 0x85ebca6bu;
    x ^= x >> 13;
    x *= 0xc2b2ae35u;
    x ^= x >> 16;
    return x;
}

static inline uint64_t hash64(uint64_t x)
{
    x ^= x >> 33;
    x *= 0xff51afd7ed558ccdull;
    x ^= x >> 33;
    x *= 0xc4ceb9fe1a85ec53ull;
    x ^= x >> 33;
    return x;
}

/* Mixes a counter into a seed. */
static inline uint64_t hash_mix(uint64_t seed, uint64_t counter)
{
    return hash64(seed ^ hash64(counter + 0x9e3779b97f4a7c15ull));
}

/* 0 <= u < 1 */
static inline double hash_unit(uint64_t seed, uint64_t counter)
{
    return (double)(hash_mix(seed, counter) >> 11) * 0x1p-53;
}

/* Mean 0, sigma 1, the sum of four uniform numbers: bounded by 3.46. */
static inline double hash_normal(uint64_t seed, uint64_t counter)
{
    uint64_t h = hash_mix(seed, counter);
    double sum =
        (double)(h & 0xffff) + (double)(h >> 16 & 0xffff) + (double)(h >> 32 & 0xffff) + (double)(h >> 48);
    return (sum / 65535 - 2) * 1.7320508075688772;
}

#endif
