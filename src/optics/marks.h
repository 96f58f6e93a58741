/* marks.h - exposure settings as they are marked: "1/250", "f/5.6", "100", and the third of a stop that each
 * stands for (exposure.h). What a camera writes differs: "0.0040s" and "1/250" are the same mark.
 *
 * errors  pure; NAN for what is no such value ("Bulb", "Auto")
 * source  the series of a third of a stop, scantips.com fstop2.html; tables: tests/unit/test_marks.c */
#ifndef STADDLE_OPTICS_MARKS_H
#define STADDLE_OPTICS_MARKS_H

#include <stdbool.h>

#define MARK_ROOM 16

/* Seconds of "1/250", "0.2500s", "1.3", "30", "2\""; also "1/250 s" and "4s". */
double mark_seconds(const char *text);
/* 5.6 of "f/5.6", "5.6", "F5.6". */
double mark_f_number(const char *text);
/* 100 of "100" and "ISO 100". */
double mark_iso(const char *text);

/* What is marked for the third k: true, or false outside 30 s to 1/32000, f/1 to f/64, ISO 25 to 102400. */
bool mark_of_time(int k, char out[MARK_ROOM]);
bool mark_of_f_number(int k, char out[MARK_ROOM]); /* "5.6" */
bool mark_of_iso(int k, char out[MARK_ROOM]);

/* Stops between two values, 0 when they stand for the same third; `per_stop`: 1 for times and ISO, 2 for
 * f-numbers (which go with the square). */
double mark_stops_apart(double a, double b, int per_stop);

#endif
