/* ptp_more.h - further properties of the emulated camera: a test lists those it wants, by code, with a value
 * and choices. Device property descriptions and values as ISO 15740 has them, or the records of extension
 * 0x0B; a code that the camera has anyway is told with the test's value. */
#ifndef TESTS_EMULATOR_PTP_MORE_H
#define TESTS_EMULATOR_PTP_MORE_H

#include <stdbool.h>

#include "tests/emulator/ptp_bytes.h"

#define PTP_EXTRAS_MOST 24

struct ptp_extra {
    uint16_t code;
    int width; /* bytes: 1, 2, 4 */
    uint32_t value;
    uint32_t choices[8];
    uint32_t choice_count; /* 0: may be read only */
    bool range;            /* told as a range of ones from the first choice to the last */
};

struct ptp_extras {
    struct ptp_extra rows[PTP_EXTRAS_MOST];
    uint32_t count;
};

/* The drive mode of family 0x0A, and its word for mirror-up. */
#define PTP_DRIVE_MODE 0x5013
#define PTP_MIRROR_UP  0x8012

struct ptp_extra *ptp_extra_of(struct ptp_extras *, uint16_t code); /* NULL: there is none */
void ptp_extra_describe(const struct ptp_extra *, struct ptp_out *);
/* False: that is none of its choices. */
bool ptp_extra_set(struct ptp_extra *, uint32_t value);

#endif
