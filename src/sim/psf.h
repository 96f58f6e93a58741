/* psf.h - how a point becomes a spot, as kernels of whole pixels.
 *
 * Small spots (full-size pixels) come from waves: the pupil, with its outline and the phase of its
 * aberrations and of the defocus that the ray cone's slope demands, is taken through a Fourier transform; the
 * square of that is summed over each pixel. Large spots come from rays: points spread evenly over the pupil
 * land on the pixels. They serve the pictures at reduced size too, and are drawn narrower by what reducing
 * and enlarging will add to them.
 *
 * A kernel's diameter is signed, in pixels of its own picture: positive behind the plane of focus. */
#ifndef STADDLE_SIM_PSF_H
#define STADDLE_SIM_PSF_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "sim/lens.h"
#include "sim/vec.h"

#define PSF_STEP 0.25 /* of the diameter, between one kernel and the next */
enum { PSF_MIDDLE = 104, PSF_COUNT = 2 * PSF_MIDDLE + 1 };
#define PSF_REACH (PSF_MIDDLE * PSF_STEP) /* the largest diameter */
#define PSF_ROWS  128                     /* no kernel is taller */

/* Rows top to bottom; row r covers the pixels left[r] .. left[r] + length[r] - 1, relative to the point. */
struct kernel {
    int32_t top, rows;
    int16_t left[PSF_ROWS], length[PSF_ROWS];
    v4 *taps; /* one row behind the other; the three colours and coverage each sum to 1 */
    int32_t tap_count;
};

struct kernel_set {
    struct kernel kernel[PSF_COUNT];
    v4 *store;
    float reach_px; /* furthest tap of any kernel beyond half its diameter */
};

/* At full size (waves), and at reduced size (rays; shared by all sizes). */
int psf_full(struct kernel_set *, const struct lens *, bool ideal, struct err *);
int psf_reduced(struct kernel_set *, bool ideal, struct err *);
void psf_clear(struct kernel_set *);

/* A movement during the exposure: kernels are averaged over it. `steps` in PSF_STEP, px in pixels of the
 * picture. */
struct psf_motion {
    int32_t count;
    float steps[64], dx[64], dy[64];
};
/* The kernels from `first` to `last` of a set as the movement leaves them. */
int psf_moved(struct kernel_set *out, const struct kernel_set *in, int first, int last,
              const struct psf_motion *, struct err *);

/* Of the kernel for a diameter: between which two. */
static inline double psf_place(double diameter_px)
{
    return diameter_px / PSF_STEP + PSF_MIDDLE;
}

/* Diameters between two kernels go to either, in shares, by a regular pattern
 * over the pixels, so that the mean over a few pixels is right. */
static inline int psf_index(double place, int32_t x, int32_t y)
{
    static const uint8_t turn[16] = {0, 8, 2, 10, 12, 4, 14, 6, 3, 11, 1, 9, 15, 7, 13, 5};
    double i = place + (turn[(y & 3) * 4 + (x & 3)] + 0.5) / 16;
    return i < 0 ? 0 : i > PSF_COUNT - 1 ? PSF_COUNT - 1 : (int)i;
}

#endif
