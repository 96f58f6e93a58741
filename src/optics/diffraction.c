#include "optics/diffraction.h"

#include <math.h>

#define PI              3.14159265358979323846
#define FIRST_DARK_RING 1.21966989126650 /* first zero of J1, over pi */
#define SIMPSON_STEPS   512

double diffraction_rayleigh_mm(double n_eff, double lambda_mm)
{
    return n_eff > 0 && lambda_mm > 0 ? FIRST_DARK_RING * lambda_mm * n_eff : NAN;
}

double diffraction_airy_diameter_mm(double n_eff, double lambda_mm)
{
    return 2 * diffraction_rayleigh_mm(n_eff, lambda_mm);
}

double diffraction_cutoff_lp_per_mm(double n_eff, double lambda_mm)
{
    return n_eff > 0 && lambda_mm > 0 ? 1 / (lambda_mm * n_eff) : NAN;
}

double diffraction_encircled(double radius_mm, double n_eff, double lambda_mm)
{
    if (!(n_eff > 0) || !(lambda_mm > 0) || !(radius_mm >= 0)) return NAN;
    const double a = PI * radius_mm / (lambda_mm * n_eff);
    return 1 - j0(a) * j0(a) - j1(a) * j1(a);
}

double diffraction_mtf(double nu)
{
    if (!(nu >= 0)) return NAN;
    return nu >= 1 ? 0 : 2 / PI * (acos(nu) - nu * sqrt(1 - nu * nu));
}

double diffraction_nu_at(double mtf)
{
    if (!(mtf >= 0) || mtf > 1) return NAN;
    double lo = 0, hi = 1;
    for (int i = 0; i < 60; i++) {
        const double mid = 0.5 * (lo + hi);
        *(diffraction_mtf(mid) > mtf ? &lo : &hi) = mid;
    }
    return 0.5 * (lo + hi);
}

/* 2 J1(a) / a */
static double jinc(double a)
{
    return fabs(a) < 1e-6 ? 1 - a * a / 8 : 2 * j1(a) / a;
}

/* H = (4/pi) Integral_0^{1-nu} sqrt(1 - (x+nu)^2) cos(8 pi W nu x) dx. The root ends upright at x = 1 - nu,
 * which spoils Simpson's rule; with x + nu = sin t it becomes cos^2 t and is smooth. */
double diffraction_defocus_otf(double nu, double waves)
{
    if (!(nu >= 0) || !isfinite(waves)) return NAN;
    if (nu >= 1) return 0;
    const double from = asin(nu), step = (PI / 2 - from) / SIMPSON_STEPS;
    double sum = 0;
    for (int i = 0; i <= SIMPSON_STEPS; i++) {
        const double t = from + i * step, c = cos(t);
        const double weight = i == 0 || i == SIMPSON_STEPS ? 1 : i % 2 ? 4 : 2;
        sum += weight * c * c * cos(8 * PI * waves * nu * (sin(t) - nu));
    }
    return 4 / PI * sum * step / 3;
}

double diffraction_defocus_otf_quick(double nu, double waves)
{
    if (!(nu >= 0)) return NAN;
    return nu >= 1 ? 0 : diffraction_mtf(nu) * jinc(8 * PI * waves * nu * (1 - nu));
}

double diffraction_disc_otf(double disc_mm, double frequency_lp_per_mm)
{
    return disc_mm >= 0 && frequency_lp_per_mm >= 0 ? jinc(PI * disc_mm * frequency_lp_per_mm) : NAN;
}

double diffraction_waves(double image_defocus_mm, double n_eff, double lambda_mm)
{
    return n_eff > 0 && lambda_mm > 0 ? image_defocus_mm / (8 * n_eff * n_eff * lambda_mm) : NAN;
}

double diffraction_defocus_mm(double waves, double n_eff, double lambda_mm)
{
    return n_eff > 0 && lambda_mm > 0 ? 8 * n_eff * n_eff * waves * lambda_mm : NAN;
}

double diffraction_strehl(double waves)
{
    const double a = PI * waves;
    if (fabs(a) < 1e-6) return 1 - a * a / 3;
    return sin(a) * sin(a) / (a * a);
}

double diffraction_wave_depth_mm(double n_eff, double m, double lambda_mm)
{
    return n_eff > 0 && m > 0 && lambda_mm > 0 ? 4 * lambda_mm * n_eff * n_eff / (m * m) : NAN;
}
