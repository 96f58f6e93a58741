/* evening.h - where a stack goes when nobody says where: BASE/2026-11-25/stack-001, the next free number.
 * BASE "" is the folder in which the program was started.
 *
 * The date is that of the evening at the bench, in its local time: a night's work belongs to the day before
 * until six in the morning. */
#ifndef STADDLE_STORE_EVENING_H
#define STADDLE_STORE_EVENING_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

/* Local time minus UTC at that moment, by the machine's time zone. (Under the virtual clock use 0.) */
int32_t evening_utc_offset_s(int64_t wall_us);

/* Makes the evening's folder if it is not there, and names the next stack in it (which is not made). */
int evening_next_stack(const char *base, int64_t wall_us, int32_t utc_offset_s, char *out, size_t room,
                       struct err *why);

/* One line of evening.txt, in the evening's folder: a stack, and the light of it against the one before. */
#define EVENING_FILE "evening.txt"
struct evening_line {
    char stack[64]; /* its folder's name */
    int64_t begun_wall_us;
    int32_t utc_offset_s;
    int32_t kept, slices;
    char verdict[64];
    double light; /* median over the frames of their mean, linear, 0..1; 0: not known */
    char job[64];
};

/* Adds the line, or replaces that of the same stack. stops_out: the light against the line before it, NAN
 * where that is not known. E_IO, E_INPUT. */
int evening_note(const char *dir, const struct evening_line *, double *stops_out, struct err *why);

/* "2026-11-25" */
#define EVENING_DATE_ROOM 16
void evening_date(int64_t wall_us, int32_t utc_offset_s, char out[EVENING_DATE_ROOM]);

#endif
