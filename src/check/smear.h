/* smear.h - how much of a texture's energy is left, at each scale and by direction, when the picture moves
 * evenly along a line during the exposure.
 *
 * The texture's power spectrum is taken as nu^-slope with a Gaussian of the lens over it; both numbers are
 * fitted to its energies at the four scales. What the cells measure of a spectrum is exact: averages of 2^k
 * pixels, then the 5-point Laplacian, or at half size central differences (image/cells.h). An even smear of
 * length d leaves |sin(pi d nu) / (pi d nu)| of the contrast along its line (Hadar, Fisher and Kopeika 1992,
 * Opt. Eng. 31:581). */
#ifndef STADDLE_CHECK_SMEAR_H
#define STADDLE_CHECK_SMEAR_H

#include "base/err.h"
#include "staddle/measure.h"

#define SMEAR_MOST_PX 16.0

struct smear_texture;

/* ln_ratio[k]: ln of the energy at scale k over that at k + 1. mem_free it. */
int smear_fit(const double ln_ratio[MEASURE_SCALES - 1], struct smear_texture **out, struct err *);

struct smear_loss {
    double ln_energy[MEASURE_SCALES]; /* of what is left, at most 0 */
    double direction;                 /* amplitude of the cos 2 theta part of ln energy by direction */
};
struct smear_loss smear_of(const struct smear_texture *, double length_px);

#endif
