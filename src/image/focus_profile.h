/* focus_profile.h - which parts of a picture are how sharp, as a vector: pictures of one set that were
 * focused alike have like profiles. It finds where a lens is focused by comparing a live picture with frames
 * whose place is known. */
#ifndef STADDLE_IMAGE_FOCUS_PROFILE_H
#define STADDLE_IMAGE_FOCUS_PROFILE_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

#define PROFILE_COLS    16
#define PROFILE_ROWS    12
#define PROFILE_TILES   (PROFILE_COLS * PROFILE_ROWS)
#define PROFILE_MOST_PX 480

struct focus_profile {
    double log_energy[PROFILE_TILES]; /* ln of the Laplacian's mean square over the square of the mean luma */
    int32_t longer_px;                /* of the picture it was taken from, after reducing */
};

/* shape   any picture file; its longer side is averaged down to `most_px` (at most PROFILE_MOST_PX): profiles
 *         that are to be compared need the same
 * errors  E_INPUT when it is no picture, or too small; E_NOMEM
 * source  energy of the Laplacian as a measure of focus: Subbarao, Choi, Nikzad, 1993 (from memory) */
int focus_profile_make(const char *name, const uint8_t *bytes, size_t count, int32_t most_px,
                       struct focus_profile *out, struct err *why);

/* Where `p` was focused, going by `known` ones at growing places `at`; up to one interval beyond either end.
 * Trust is the correlation (-1..1) of what sets p apart from the mean of all with what sets that place apart.
 * E_INPUT with fewer than three known. */
int focus_profile_place(const struct focus_profile *known, const double *at, int32_t count,
                        const struct focus_profile *p, double *at_out, double *trust_out, struct err *);

#endif
