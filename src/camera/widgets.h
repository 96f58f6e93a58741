/* widgets.h - settings by the trade's names, found among whatever the camera family calls them and met by
 * value. Shutter times and f-numbers are nominal: 1/30 is 2^-5 s, f/5.6 is 2^2.5; what counts is the third of
 * a stop that they stand for (ISO 2720 and ISO 12232 series; from memory). */
#ifndef STADDLE_CAMERA_WIDGETS_H
#define STADDLE_CAMERA_WIDGETS_H

#include <stdbool.h>

/* Seconds of "1/250", "0.2500s", "1.3", "30", "2\""; NAN for bulb and the like. */
double widget_seconds(const char *choice);
/* 5.6 of "f/5.6", "5.6", "F5.6"; NAN. */
double widget_f_number(const char *choice);
/* 100 of "100"; NAN of "Auto". */
double widget_iso(const char *choice);

/* Stops between two values, 0 when they stand for the same third; `per_stop`: 1 for times and ISO, 2 for
 * f-numbers (which go with the square). */
double widget_stops_apart(double a, double b, int per_stop);

#endif
