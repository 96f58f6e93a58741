/* peaks.h - where between two frames a focus curve has its top.
 *
 * Near focus the sharpness over position is close to a Gaussian, so the logarithm of three neighbouring
 * values lies on a parabola: d = (ln F- - ln F+) / (2 (ln F- - 2 ln F0 + ln F+)), sigma^2 = -1 / (ln F- - 2
 * ln F0 + ln F+). */
#ifndef STADDLE_IMAGE_PEAKS_H
#define STADDLE_IMAGE_PEAKS_H

#include <stdbool.h>
#include <stdint.h>

struct peak {
    double at;    /* fractional index into the curve */
    double value; /* of the fitted top */
    double sigma; /* width of the fitted Gaussian, in samples; 0 where three values do not tell (an end, a
                     plateau) */
    double prominence; /* ln(value / the higher of the lowest points that separate it from anything higher),
                          see below */
    int32_t index;     /* of the highest sample */
};

/* Top of the Gaussian through three equally spaced values.
 * units   *offset in spacings from the middle value (-0.5 .. 0.5 for a top in the middle), *sigma in spacings
 * errors  false, outputs untouched, unless all values are positive and finite, the middle one is at least as
 * large as both others and larger than one of them source  Nayar and Nakagawa, PAMI 16:824, 1994 (from
 * memory) */
bool peak_gaussian(double before, double at, double after, double *offset, double *sigma);

/* Every local maximum of a positive curve whose prominence is at least `least_prominence` (natural logarithm,
 * 0.2 is 22 %), strongest first by value, at most `most`. Returns how many there are in `out`. Values <= 0 or
 * not finite count as the smallest positive value of the curve. Prominence (topography): how far one has to
 * go down from the top before going up to anything higher; for the highest top of the curve, down to the
 * curve's lowest value. A plateau is one peak at its middle. A maximum at an end of the curve is a peak with
 * `at` at that end and sigma 0. */
int32_t peaks_find(const double *curve, int32_t count, double least_prominence, struct peak *out,
                   int32_t most);

#endif
