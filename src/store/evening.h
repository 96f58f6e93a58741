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

/* "2026-11-25" */
#define EVENING_DATE_ROOM 16
void evening_date(int64_t wall_us, int32_t utc_offset_s, char out[EVENING_DATE_ROOM]);

#endif
