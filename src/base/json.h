/* json.h - numbers on their way out: one unit per key, absent is null, never NaN, the same in every locale.
 */
#ifndef STADDLE_BASE_JSON_H
#define STADDLE_BASE_JSON_H

#include <jansson.h>
#include <stdint.h>
#include <stdio.h>

#include "base/err.h"

json_t *json_um(int64_t nm);
json_t *json_mm(int64_t nm);
json_t *json_ms(int64_t us);
json_t *json_s(int64_t us);
json_t *json_number(double value);                /* null when not finite */
json_t *json_rounded(double value, int decimals); /* null when not finite */
json_t *json_text(const char *text);              /* bytes that are no UTF-8 become '?'; NULL becomes null */
json_t *json_utc(int64_t wall_us);                /* 2001-01-01T20:00:00.000Z */

void json_write(FILE *, const json_t *); /* sorted as built, indented, a line feed at the end */

/* For the text views: a number that may be null or absent. */
double json_get_number(const json_t *object, const char *key);    /* NaN when absent */
const char *json_get_text(const json_t *object, const char *key); /* "" when absent */

#endif
