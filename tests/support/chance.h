/* chance.h - numbers that look random and are the same each time. */
#ifndef TESTS_SUPPORT_CHANCE_H
#define TESTS_SUPPORT_CHANCE_H

#include <stdint.h>

/* splitmix64, public domain algorithm: Steele, Lea, Flood 2014 (from memory). */
static inline uint64_t chance_mix(uint64_t *state)
{
    uint64_t z = (*state += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

#endif
