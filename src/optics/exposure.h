/* exposure.h - the arithmetic of light: APEX values, the thirds behind marked numbers, and lamps that
 * flicker.
 *
 * Times in seconds, frequencies in Hz, light differences in stops.
 * errors  pure; outside their domain NAN
 * source  APEX: Kerr 2007, APEX - the Additive System of Photographic Exposure; Exif (CIPA DC-008), from
 * memory. Thirds: cameras set exact powers of two behind nominal marks (common practice). Flicker: derived,
 * the integral of the lamp's light over the exposure. Tables: tests/unit/test_exposure.c */
#ifndef STADDLE_OPTICS_EXPOSURE_H
#define STADDLE_OPTICS_EXPOSURE_H

double exposure_av(double f_number); /* 2 log2 N */
double exposure_tv(double seconds);  /* -log2 t */
double exposure_sv(double iso);      /* log2(S / 3.125), exactly 5 at 100 */
double exposure_ev(double f_number, double seconds);

/* The third of a stop that a marked number stands for: t = 2^(k/3), N = 2^(k/6), S = 100 x 2^(k/3). */
int exposure_time_third(double marked_s);
int exposure_f_number_third(double marked);
int exposure_iso_third(double marked);
double exposure_f_number_mark(int k); /* what is engraved for it, 1 to 64; NAN outside */
double exposure_time_of_third(int k); /* the time that the shutter is really open */
double exposure_f_number_of_third(int k);
double exposure_iso_of_third(int k);

/* Sine-modulated lamp of that frequency (twice the mains) and modulation depth 0..1: the exposure's largest
 * deviation from its mean over all phases, relative; and largest against smallest in stops. */
double exposure_ripple(double lamp_hz, double depth, double seconds);
double exposure_ripple_stops(double lamp_hz, double depth, double seconds);

/* Lamp switched on and off, `duty` of the time on: most and least light of an exposure (in seconds of full
 * light). */
void exposure_switched(double lamp_hz, double duty, double seconds, double *most_s, double *least_s);
double exposure_switched_stops(double lamp_hz, double duty,
                               double seconds); /* INFINITY when it may miss the light */

#endif
