/* diffraction.h - what the wave nature of light leaves of the contrast, in focus and out of it. Round,
 * unobstructed, evenly lit, aberration-free aperture; incoherent light of one wavelength.
 *
 * Lengths in mm; nu is spatial frequency over the cut-off frequency 1/(lambda N_eff), from 0 to 1; W is
 * defocus as the path difference at the aperture's edge, in waves; n_eff is the effective f-number. errors
 * pure; outside their domain NAN source  from memory unless named: Hopkins 1955, Proc. R. Soc. A 231:91
 * (defocus); Born and Wolf, Principles of Optics, 8.5 and 8.8; Boreman, Modulation Transfer Function. Tables:
 * tests/unit/test_diffraction.c */
#ifndef STADDLE_OPTICS_DIFFRACTION_H
#define STADDLE_OPTICS_DIFFRACTION_H

#define LIGHT_MM 0.00055 /* middle of the visible; common practice */

double diffraction_airy_diameter_mm(double n_eff,
                                    double lambda_mm); /* to the first dark ring: 2.43934 lambda N_eff */
double diffraction_rayleigh_mm(double n_eff, double lambda_mm);                 /* half of that */
double diffraction_cutoff_lp_per_mm(double n_eff, double lambda_mm);            /* 1 / (lambda N_eff) */
double diffraction_encircled(double radius_mm, double n_eff, double lambda_mm); /* energy inside, 0..1 */

double diffraction_mtf(double nu);    /* (2/pi) (acos nu - nu sqrt(1 - nu^2)); 0 from the cut-off on */
double diffraction_nu_at(double mtf); /* the inverse, 0..1 */

/* Defocus: the exact integral (Simpson, to 1e-9 for |W| up to 8), and the product of diffraction_mtf with the
 * blur disc's transform at the argument 8 pi W nu (1 - nu), within 0.017 of it. Both may be negative:
 * contrast reversed. */
double diffraction_defocus_otf(double nu, double waves);
double diffraction_defocus_otf_quick(double nu, double waves);

/* Ray optics alone: 2 J1(a)/a with a = pi x disc diameter x frequency. */
double diffraction_disc_otf(double disc_mm, double frequency_lp_per_mm);

double diffraction_waves(double image_defocus_mm, double n_eff,
                         double lambda_mm);                                  /* dz / (8 N_eff^2 lambda) */
double diffraction_defocus_mm(double waves, double n_eff, double lambda_mm); /* the inverse */
double diffraction_strehl(double waves); /* peak brightness relative to focus: (sin(pi W)/(pi W))^2 */

/* Depth on the subject's side with at most a quarter wave on either side (Strehl 0.81), total:
 * 4 lambda N_eff^2 / m^2, the same as lambda / NA^2. Other criteria in circulation differ by a factor of two.
 */
double diffraction_wave_depth_mm(double n_eff, double m, double lambda_mm);

#endif
