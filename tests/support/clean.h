/* clean.h - a hundred stacks in which nothing is wrong, each another: scene, depth, spacing, magnification,
 * aperture, noise, light, breathing, order, room at the ends, what is known of it. What a verdict says
 * against one of them is false by construction. */
#ifndef TESTS_SUPPORT_CLEAN_H
#define TESTS_SUPPORT_CLEAN_H

#include <stdint.h>

#define CLEAN_STACKS 100

struct clean_tally {
    int32_t stacks, blamed, frames;
    int32_t still, still_blamed, still_no_use; /* stacks, against three quiet frames that are as still */
    double textured_least;                     /* share of the picture, of the barest of them */
};

/* Shoots stack `which` (0 .. CLEAN_STACKS - 1), checks it, prints a line when it is blamed, adds up. */
void clean_stack(int32_t which, struct clean_tally *);

#endif
