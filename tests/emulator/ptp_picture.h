/* ptp_picture.h - the emulator's own pictures: small JPEGs of a slanted plane full of detail, sharp where the
 * lens is focused. Their bytes are unlike for each release. */
#ifndef TESTS_EMULATOR_PTP_PICTURE_H
#define TESTS_EMULATOR_PTP_PICTURE_H

#include <stddef.h>
#include <stdint.h>

#define PTP_PICTURE_WIDTH  160
#define PTP_PICTURE_HEIGHT 120

/* The lens's counts that focus the left and the right edge; both 0: 0 and 320. */
struct ptp_scene {
    int32_t left, right;
};

/* A comment says 'release N lens L'. free() it. */
uint8_t *ptp_picture_made(const struct ptp_scene *, int32_t release, int32_t lens_at, size_t *count_out);
/* Reads that comment; 0 when there is none. */
int32_t ptp_picture_release(const uint8_t *jpeg, size_t count, int32_t *lens_out);

#endif
