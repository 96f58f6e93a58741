/* lens.h - close-up optics by rays: where things are sharp, how large, how bright, and how deep.
 *
 * Paraxial; lengths in mm, f-numbers and magnification without unit. Words used throughout:
 *   f focal length · N f-number as marked (f over the entrance pupil's diameter) · m magnification, image
 * over object, positive · P pupil ratio, exit over entrance pupil diameter · c largest blur disc that still
 * counts as sharp, on the sensor · N_eff effective f-number.
 *
 * errors  every function is pure; an argument outside its domain gives NAN, never a guess
 * source  from memory unless named: Smith, Modern Optical Engineering, ch. 2, 6 and 9; Ray, Applied
 * Photographic Optics; Conrad 2006, Depth of Field in Depth (pupils). Tables that check them:
 * tests/unit/test_lens.c */
#ifndef STADDLE_OPTICS_LENS_H
#define STADDLE_OPTICS_LENS_H

/* --- the thin lens: 1/f = 1/u + 1/v, from the principal planes --- */
double lens_object_distance_mm(double f_mm, double m);  /* u = f (1 + 1/m) */
double lens_image_distance_mm(double f_mm, double m);   /* v = f (1 + m) */
double lens_extension_mm(double f_mm, double m);        /* f m, past the infinity setting */
double lens_total_mm(double f_mm, double m);            /* u + v; the gap between the planes is left out */
double lens_magnification_at(double f_mm, double u_mm); /* f / (u - f) */

/* --- pupils: the view point is the entrance pupil --- */
double lens_view_distance_mm(double f_mm, double m, double pupil_ratio); /* entrance pupil to focus plane */
double lens_exit_distance_mm(double f_mm, double m, double pupil_ratio); /* exit pupil to sensor */

/* --- brightness --- */
double lens_effective_f_number(double n, double m, double pupil_ratio); /* N (1 + m/P) */
double lens_exposure_factor(double m, double pupil_ratio);              /* (1 + m/P)^2 */
double lens_exposure_stops(double m, double pupil_ratio);               /* log2 of the factor */
double lens_object_na(double n_eff, double m);      /* paraxial, in air: m / (2 N_eff); 1 % high at NA 0.15 */
double lens_effective_from_na(double na, double m); /* m / (2 NA) */

/* --- depth of field --- */
/* Sensor and focus fixed, distances from the entrance pupil; *far is INFINITY where the blur never reaches c.
 */
void lens_depth_exact_mm(double f_mm, double n, double c_mm, double m, double pupil_ratio, double *near,
                         double *far);
/* Total over both sides: 2 N_eff c / m^2. Low by the relative amount (N c / (f m))^2. The n e / (M NA) of
 * microscopy is the same formula. */
double lens_depth_close_mm(double n_eff, double c_mm, double m);
/* Thin lens at ordinary distances, from the lens. */
double lens_hyperfocal_mm(double f_mm, double n, double c_mm);
void lens_depth_at_distance_mm(double f_mm, double n, double c_mm, double u_mm, double *near, double *far);

/* --- blur: diameter of the disc on the sensor --- */
double lens_blur_image_mm(double defocus_mm, double n_eff); /* of a sensor that is off by that much */
/* Of a point `beyond_mm` behind the focus plane (negative: in front), exact and to first order. */
double lens_blur_mm(double f_mm, double n, double m, double pupil_ratio, double beyond_mm);
double lens_blur_first_order_mm(double n_eff, double m, double beyond_mm); /* m^2 |beyond| / N_eff */

/* --- sensor --- */
double lens_circle_mm(double width_mm, double height_mm, double divisor); /* diagonal / divisor */
double lens_pixel_mm(double sensor_width_mm, int width_px);
double lens_nyquist_lp_per_mm(double pixel_mm); /* 1 / (2 p) */

/* --- what moving the focus does to the picture --- */
/* Image-side over object-side distance between two object planes with these magnifications: m1 m2, exactly
 * (Newton); pupils do not enter. */
double lens_longitudinal(double m1, double m2);
/* A lens that extends: magnification of the plane `beyond_mm` behind the one with magnification m. */
double lens_extended_magnification(double f_mm, double m, double beyond_mm);
/* A rail advances by `advance_mm`: how large a point that is in focus at the end appeared at the start,
 * relative to the end: d / (d + advance), d the view distance. */
double lens_rail_scale(double view_mm, double advance_mm);

#endif
