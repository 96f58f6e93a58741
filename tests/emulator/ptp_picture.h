/* ptp_picture.h - the emulator's own pictures: small JPEGs that are unlike for each release. */
#ifndef TESTS_EMULATOR_PTP_PICTURE_H
#define TESTS_EMULATOR_PTP_PICTURE_H

#include <stddef.h>
#include <stdint.h>

#define PTP_PICTURE_WIDTH  160
#define PTP_PICTURE_HEIGHT 120

/* A comment says 'release N lens L'; the pattern's place depends on both. free() it. */
uint8_t *ptp_picture_made(int32_t release, int32_t lens_at, size_t *count_out);
/* Reads that comment; 0 when there is none. */
int32_t ptp_picture_release(const uint8_t *jpeg, size_t count, int32_t *lens_out);

#endif
