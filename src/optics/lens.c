#include "optics/lens.h"

#include <math.h>
#include <stdbool.h>

static bool positive(double a, double b, double c)
{
    return a > 0 && b > 0 && c > 0;
}

double lens_object_distance_mm(double f_mm, double m)
{
    return positive(f_mm, m, 1) ? f_mm * (1 + 1 / m) : NAN;
}

double lens_image_distance_mm(double f_mm, double m)
{
    return positive(f_mm, m, 1) ? f_mm * (1 + m) : NAN;
}

double lens_extension_mm(double f_mm, double m)
{
    return positive(f_mm, m, 1) ? f_mm * m : NAN;
}

double lens_total_mm(double f_mm, double m)
{
    return positive(f_mm, m, 1) ? f_mm * (2 + m + 1 / m) : NAN;
}

double lens_magnification_at(double f_mm, double u_mm)
{
    return f_mm > 0 && u_mm > f_mm ? f_mm / (u_mm - f_mm) : NAN;
}

double lens_view_distance_mm(double f_mm, double m, double pupil_ratio)
{
    return positive(f_mm, m, pupil_ratio) ? f_mm * (1 / m + 1 / pupil_ratio) : NAN;
}

double lens_exit_distance_mm(double f_mm, double m, double pupil_ratio)
{
    return positive(f_mm, m, pupil_ratio) ? f_mm * (m + pupil_ratio) : NAN;
}

double lens_effective_f_number(double n, double m, double pupil_ratio)
{
    return positive(n, pupil_ratio, 1) && m >= 0 ? n * (1 + m / pupil_ratio) : NAN;
}

double lens_exposure_factor(double m, double pupil_ratio)
{
    const double b = lens_effective_f_number(1, m, pupil_ratio);
    return b * b;
}

double lens_exposure_stops(double m, double pupil_ratio)
{
    return 2 * log2(lens_effective_f_number(1, m, pupil_ratio));
}

double lens_object_na(double n_eff, double m)
{
    return positive(n_eff, m, 1) ? m / (2 * n_eff) : NAN;
}

double lens_effective_from_na(double na, double m)
{
    return positive(na, m, 1) ? m / (2 * na) : NAN;
}

void lens_depth_exact_mm(double f_mm, double n, double c_mm, double m, double pupil_ratio, double *near,
                         double *far)
{
    const double view = lens_view_distance_mm(f_mm, m, pupil_ratio);
    const double pupil = positive(f_mm, n, c_mm) ? f_mm / n : NAN;
    const double blur = c_mm / m; /* the disc's size on the subject */
    *near = view * pupil / (pupil + blur);
    *far = pupil <= blur ? INFINITY : view * pupil / (pupil - blur);
}

double lens_depth_close_mm(double n_eff, double c_mm, double m)
{
    return positive(n_eff, m, 1) && c_mm >= 0 ? 2 * n_eff * c_mm / (m * m) : NAN;
}

double lens_hyperfocal_mm(double f_mm, double n, double c_mm)
{
    return positive(f_mm, n, c_mm) ? f_mm * f_mm / (n * c_mm) + f_mm : NAN;
}

void lens_depth_at_distance_mm(double f_mm, double n, double c_mm, double u_mm, double *near, double *far)
{
    const double h = lens_hyperfocal_mm(f_mm, n, c_mm);
    const double u = u_mm > f_mm ? u_mm : NAN;
    *near = u * (h - f_mm) / (h + u - 2 * f_mm);
    *far = u >= h ? INFINITY : u * (h - f_mm) / (h - u);
}

double lens_blur_image_mm(double defocus_mm, double n_eff)
{
    return n_eff > 0 ? fabs(defocus_mm) / n_eff : NAN;
}

double lens_blur_mm(double f_mm, double n, double m, double pupil_ratio, double beyond_mm)
{
    const double distance = lens_view_distance_mm(f_mm, m, pupil_ratio) + beyond_mm;
    return n > 0 && distance > 0 ? m * (f_mm / n) * fabs(beyond_mm) / distance : NAN;
}

double lens_blur_first_order_mm(double n_eff, double m, double beyond_mm)
{
    return positive(n_eff, m, 1) ? m * m * fabs(beyond_mm) / n_eff : NAN;
}

double lens_circle_mm(double width_mm, double height_mm, double divisor)
{
    return positive(width_mm, height_mm, divisor) ? hypot(width_mm, height_mm) / divisor : NAN;
}

double lens_pixel_mm(double sensor_width_mm, int width_px)
{
    return sensor_width_mm > 0 && width_px > 0 ? sensor_width_mm / width_px : NAN;
}

double lens_nyquist_lp_per_mm(double pixel_mm)
{
    return pixel_mm > 0 ? 1 / (2 * pixel_mm) : NAN;
}

double lens_longitudinal(double m1, double m2)
{
    return m1 * m2;
}

double lens_extended_magnification(double f_mm, double m, double beyond_mm)
{
    return lens_magnification_at(f_mm, lens_object_distance_mm(f_mm, m) + beyond_mm);
}

double lens_rail_scale(double view_mm, double advance_mm)
{
    return view_mm > 0 && view_mm + advance_mm > 0 ? view_mm / (view_mm + advance_mm) : NAN;
}
