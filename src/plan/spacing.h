/* spacing.h - how far apart slices may lie before the subject between them goes soft.
 *
 * The rule: midway between two slices the contrast of fine detail is at least (1 - drop) of its contrast in
 * focus. Fine detail is half the sensor's Nyquist frequency or, where diffraction has already taken half of
 * the contrast there, the frequency at which it has. Contrast by the exact defocus integral of
 * optics/diffraction.h. units   um on the subject's side, line pairs per mm on the sensor source  the rule is
 * ours; its parts are Hopkins 1955 (see diffraction.h) and Newton's longitudinal magnification */
#ifndef STADDLE_PLAN_SPACING_H
#define STADDLE_PLAN_SPACING_H

#include "staddle/plan.h"

/* Line pairs per mm at which contrast is judged. */
double spacing_frequency(double n_eff, double pixel_um);

/* The widest spacing whose contrast midway drops by at most `drop` (0.01..0.5). Needs magnification,
 * effective f-number and test frequency of `o`. */
double spacing_by_contrast_um(const struct plan_optics *o, double drop);

/* Contrast midway between slices that far apart, relative to the contrast in focus; may be negative. */
double spacing_contrast_midway(const struct plan_optics *o, double spacing_um);

#endif
