/* vibration.h - a bench that rings after each move, and what shaking costs in contrast.
 *
 * One mode: x'' + 2 zeta w x' + w^2 x = 0, w = 2 pi f, zeta below 1. Times in s, frequencies in Hz;
 * amplitudes are zero-to-peak, in the unit of what was put in. errors  pure; outside their domain NAN source
 * Rao, Mechanical Vibrations, ch. 2-3; Harris' Shock and Vibration Handbook, ch. 30 (from memory); motion
 *         blur: Hadar, Fisher and Kopeika 1992, Opt. Eng. 31:581. Tables: tests/unit/test_vibration.c */
#ifndef STADDLE_OPTICS_VIBRATION_H
#define STADDLE_OPTICS_VIBRATION_H

double vibration_free(double hz, double zeta, double x0, double v0_per_s, double at_s);
double vibration_log_decrement(double zeta); /* ln of the ratio of two peaks one cycle apart */
double vibration_zeta(double log_decrement); /* the inverse */
double vibration_cycles_to(double zeta,
                           double remaining); /* until the amplitude is that share of the first */

/* Until the ringing is `remaining` of what it was: -ln(remaining) / (zeta w); and with the true envelope. */
double vibration_settle_s(double hz, double zeta, double remaining);
double vibration_settle_envelope_s(double hz, double zeta, double remaining);
/* Until an object-side ringing of amplitude_mm moves the picture by at most budget_px, zero-to-peak; 0 if it
 * never does more. */
double vibration_settle_for_blur_s(double hz, double zeta, double amplitude_mm, double m, double pixel_mm,
                                   double budget_px);

/* Contrast left at nu (cycles per unit of the motion): many cycles of a sine of that amplitude; an even smear
 * of that total length; random jitter of that rms. The first two may be negative. */
double vibration_mtf_sine(double amplitude, double nu);
double vibration_mtf_smear(double length, double nu);
double vibration_mtf_jitter(double rms, double nu);

/* Shaken from below at r times its own frequency: motion of the mass, and relative to the base, per base
 * motion. */
double vibration_transmitted(double r, double zeta);
double vibration_relative(double r, double zeta);

#endif
