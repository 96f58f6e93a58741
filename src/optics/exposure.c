#include "optics/exposure.h"

#include <math.h>

#define PI 3.14159265358979323846

double exposure_av(double f_number)
{
    return f_number > 0 ? 2 * log2(f_number) : NAN;
}

double exposure_tv(double seconds)
{
    return seconds > 0 ? -log2(seconds) : NAN;
}

double exposure_sv(double iso)
{
    return iso > 0 ? log2(iso / 3.125) : NAN;
}

double exposure_ev(double f_number, double seconds)
{
    return exposure_av(f_number) + exposure_tv(seconds);
}

int exposure_time_third(double marked_s)
{
    return (int)lround(3 * log2(marked_s));
}

int exposure_f_number_third(double marked)
{
    return (int)lround(6 * log2(marked));
}

int exposure_iso_third(double marked)
{
    return (int)lround(3 * log2(marked / 100));
}

double exposure_f_number_mark(int k)
{
    static const double marks[] = {1,   1.1, 1.2, 1.4, 1.6, 1.8, 2,  2.2, 2.5, 2.8, 3.2, 3.5, 4,
                                   4.5, 5,   5.6, 6.3, 7.1, 8,   9,  10,  11,  13,  14,  16,  18,
                                   20,  22,  25,  29,  32,  36,  40, 45,  51,  57,  64};
    return k >= 0 && k < (int)(sizeof marks / sizeof *marks) ? marks[k] : NAN;
}

double exposure_time_of_third(int k)
{
    return exp2(k / 3.0);
}

double exposure_f_number_of_third(int k)
{
    return exp2(k / 6.0);
}

double exposure_iso_of_third(int k)
{
    return 100 * exp2(k / 3.0);
}

double exposure_ripple(double lamp_hz, double depth, double seconds)
{
    if (!(lamp_hz > 0) || !(depth >= 0) || depth > 1 || !(seconds > 0)) return NAN;
    const double a = PI * lamp_hz * seconds;
    return depth * fabs(sin(a) / a);
}

double exposure_ripple_stops(double lamp_hz, double depth, double seconds)
{
    const double r = exposure_ripple(lamp_hz, depth, seconds);
    return log2((1 + r) / (1 - r));
}

void exposure_switched(double lamp_hz, double duty, double seconds, double *most_s, double *least_s)
{
    if (!(lamp_hz > 0) || !(duty > 0) || duty > 1 || !(seconds > 0)) {
        *most_s = *least_s = NAN;
        return;
    }
    const double cycles = lamp_hz * seconds;
    const double whole =
        floor(cycles + 1e-9); /* a product in binary may fall a hair short of the whole number */
    const double rest = fmax(0, cycles - whole);
    *most_s = (whole * duty + fmin(rest, duty)) / lamp_hz;
    *least_s = (whole * duty + fmax(0, rest + duty - 1)) / lamp_hz;
}

double exposure_switched_stops(double lamp_hz, double duty, double seconds)
{
    double most, least;
    exposure_switched(lamp_hz, duty, seconds, &most, &least);
    if (isnan(least)) return NAN;
    return least > 0 ? log2(most / least) : INFINITY;
}
