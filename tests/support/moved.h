/* moved.h - photographs moved, grown and blurred by known amounts, as a lens would: in linear light (IEC
 * 61966-2-1), and by means that share nothing with the code under test. Two of them, which a test compares:
 * the shift theorem of the Fourier transform (Bracewell, The Fourier Transform and Its Applications, from
 * memory), and a sinc under Kaiser's window (Kaiser 1974, from memory). All results are new; photo_free them.
 */
#ifndef TESTS_SUPPORT_MOVED_H
#define TESTS_SUPPORT_MOVED_H

#include "tests/support/photo.h"

/* Where a point p of the one, from the centre, lies in the other: scale * p + (dx, dy). */
struct moved {
    double dx, dy, scale;
};

/* Code values 0..255 to linear light 0..255 and back. */
void photo_to_light(struct photo *);
void photo_to_codes(struct photo *);

struct photo photo_part(const struct photo *, int32_t x0, int32_t y0, int32_t width, int32_t height);

/* Moved by (dx, dy); what comes in from outside is the picture's mirror image. Linear light in and out. */
struct photo photo_fourier(const struct photo *, double dx, double dy);

/* width x height pixels around the middle of it, as they are after the move; what lies outside is taken from
 * the border. Linear light in and out; no averaging where it shrinks, so keep the scale near 1. */
struct photo photo_seen(const struct photo *, int32_t width, int32_t height, const struct moved *);

/* Gauss, cut off at 4 sigma. Linear light in and out. */
struct photo photo_gauss(const struct photo *, double sigma_px);

/* A picture of that size, its every piece cut from one of the photographs, somewhere, and mirrored by chance:
 * it has the detail of photographs down to the pixel, and does not repeat. */
struct photo photo_patchwork(const struct photo *of, int count, int32_t width, int32_t height, uint64_t seed);

#endif
