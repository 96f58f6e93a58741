/* photo.h - real photographs for tests, and ways to change them that share no code with what is tested.
 * The photographs come with Debian's opencv-doc (a check package); aloeL.jpg is from the Middlebury stereo
 * data of 2006 (Scharstein and Pal, CVPR 2007). */
#ifndef TESTS_SUPPORT_PHOTO_H
#define TESTS_SUPPORT_PHOTO_H

#include <stdint.h>

struct photo {
    int32_t width, height;
    float *gray; /* 0..255 */
};

/* From the data folder of opencv-doc; the test fails when it is not there. Freed by photo_free. */
struct photo photo_load(const char *name);
void photo_free(struct photo *);

/* Each target pixel is the exact mean of the source over its square: pixel (i, j) covers x0 + step * i .. +
 * step. Squares must lie inside. */
struct photo photo_area(const struct photo *, int32_t width, int32_t height, double x0, double y0,
                        double step);

/* Mean over a disc of that radius in pixels (each sample of the disc weighted by the share of its pixel
 * inside). */
struct photo photo_disc_blur(const struct photo *, double radius);

/* Gaussian noise of that sigma, seeded. */
void photo_add_noise(struct photo *, double sigma, uint64_t seed);

/* Rounded to 8 bit; free it. */
uint8_t *photo_bytes(const struct photo *);

#endif
