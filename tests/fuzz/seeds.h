/* seeds.h - between the parts of the program that makes seeds. */
#ifndef TESTS_FUZZ_SEEDS_H
#define TESTS_FUZZ_SEEDS_H

#include <stddef.h>
#include <stdint.h>

void seed_write(const char *target, const char *name, const void *bytes, size_t count);

/* Stripes, a ramp and a clipped diagonal; width * height * 3 bytes. */
void seed_picture(uint8_t *rgb, int width, int height);

void seeds_of_pictures(void);
void seeds_of_measures(void);
void seeds_of_stacks(void);

#endif
