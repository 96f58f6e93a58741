#include "optics/vibration.h"

#include <math.h>
#include <stdbool.h>

#define PI 3.14159265358979323846

static bool rings(double hz, double zeta)
{
    return hz > 0 && zeta > 0 && zeta < 1;
}

double vibration_free(double hz, double zeta, double x0, double v0_per_s, double at_s)
{
    if (!(hz > 0) || !(zeta >= 0) || zeta >= 1 || !(at_s >= 0)) return NAN;
    const double w = 2 * PI * hz, damped = w * sqrt(1 - zeta * zeta);
    const double swing = x0 * cos(damped * at_s) + (v0_per_s + zeta * w * x0) / damped * sin(damped * at_s);
    return exp(-zeta * w * at_s) * swing;
}

double vibration_log_decrement(double zeta)
{
    return zeta >= 0 && zeta < 1 ? 2 * PI * zeta / sqrt(1 - zeta * zeta) : NAN;
}

double vibration_zeta(double log_decrement)
{
    return log_decrement >= 0 ? log_decrement / hypot(2 * PI, log_decrement) : NAN;
}

double vibration_cycles_to(double zeta, double remaining)
{
    const bool known = rings(1, zeta) && remaining > 0 && remaining <= 1;
    return known ? -log(remaining) / vibration_log_decrement(zeta) : NAN;
}

double vibration_settle_s(double hz, double zeta, double remaining)
{
    return rings(hz, zeta) && remaining > 0 && remaining <= 1 ? -log(remaining) / (zeta * 2 * PI * hz) : NAN;
}

double vibration_settle_envelope_s(double hz, double zeta, double remaining)
{
    if (!rings(hz, zeta) || !(remaining > 0) || remaining > 1) return NAN;
    return -log(remaining * sqrt(1 - zeta * zeta)) / (zeta * 2 * PI * hz);
}

double vibration_settle_for_blur_s(double hz, double zeta, double amplitude_mm, double m, double pixel_mm,
                                   double budget_px)
{
    if (!(amplitude_mm >= 0) || !(m > 0) || !(pixel_mm > 0) || !(budget_px > 0)) return NAN;
    const double amplitude_px = m * amplitude_mm / pixel_mm;
    return vibration_settle_s(hz, zeta, amplitude_px > budget_px ? budget_px / amplitude_px : 1);
}

double vibration_mtf_sine(double amplitude, double nu)
{
    return j0(2 * PI * amplitude * nu);
}

double vibration_mtf_smear(double length, double nu)
{
    const double a = PI * length * nu;
    return fabs(a) < 1e-6 ? 1 - a * a / 6 : sin(a) / a;
}

double vibration_mtf_jitter(double rms, double nu)
{
    return exp(-2 * PI * PI * rms * rms * nu * nu);
}

static double resistance(double r, double zeta)
{
    return r >= 0 && zeta >= 0 ? hypot(1 - r * r, 2 * zeta * r) : NAN;
}

double vibration_transmitted(double r, double zeta)
{
    return hypot(1, 2 * zeta * r) / resistance(r, zeta);
}

double vibration_relative(double r, double zeta)
{
    return r * r / resistance(r, zeta);
}
