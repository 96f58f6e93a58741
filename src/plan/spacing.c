#include "plan/spacing.h"

#include <math.h>

#include "optics/diffraction.h"
#include "optics/lens.h"

#define NM_OF_MM   1e6
#define HALF       0.5
#define FIRST_ZERO 3.8317059702075123 /* of J1 */
#define PI         3.14159265358979323846
#define EXACT_TO   8.0 /* waves; beyond, contrast is gone and the quick form will do */

double spacing_frequency(double n_eff, double pixel_um)
{
    const double half_nyquist = HALF * lens_nyquist_lp_per_mm(pixel_um / 1000);
    return fmin(half_nyquist, diffraction_nu_at(HALF) * diffraction_cutoff_lp_per_mm(n_eff, LIGHT_MM));
}

static double nu_of(const struct plan_optics *o)
{
    return o->test_frequency_lp_per_mm / diffraction_cutoff_lp_per_mm(o->effective_f_number, LIGHT_MM);
}

static double contrast(double nu, double waves)
{
    const double otf = fabs(waves) > EXACT_TO ? diffraction_defocus_otf_quick(nu, waves)
                                              : diffraction_defocus_otf(nu, waves);
    return otf / diffraction_mtf(nu);
}

static double waves_of(const struct plan_optics *o, double spacing_um)
{
    const double image_mm = HALF * spacing_um / 1000 * lens_longitudinal(o->magnification, o->magnification);
    return diffraction_waves(image_mm, o->effective_f_number, LIGHT_MM);
}

double spacing_contrast_midway(const struct plan_optics *o, double spacing_um)
{
    return contrast(nu_of(o), waves_of(o, spacing_um));
}

/* Contrast falls steadily from focus to its first zero, near where the blur disc's transform has its own. */
double spacing_by_contrast_um(const struct plan_optics *o, double drop)
{
    const double nu = nu_of(o);
    double lo = 0, hi = FIRST_ZERO / (8 * PI * nu * (1 - nu));
    for (int i = 0; i < 60; i++) {
        const double mid = HALF * (lo + hi);
        *(contrast(nu, mid) >= 1 - drop ? &lo : &hi) = mid;
    }
    const double image_mm = diffraction_defocus_mm(lo, o->effective_f_number, LIGHT_MM);
    return 2 * 1000 * image_mm / lens_longitudinal(o->magnification, o->magnification);
}
