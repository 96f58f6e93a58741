/* numbers.h - does a text view print a number that its JSON lacks? Numbers are compared as they are
 * rounded: 45.3 is in the JSON when something in it is 45.25 to 45.35 (and within half a per cent); '38 %'
 * stands for a fraction 0.375 to 0.385; '2 min 5 s' for 125 s; digits inside JSON strings count as they are
 * written. */
#ifndef TESTS_SUPPORT_NUMBERS_H
#define TESTS_SUPPORT_NUMBERS_H

#include <jansson.h>
#include <stdbool.h>

/* True when each number in the text is in the JSON. Else false, with the first that is not in `missing`. */
bool numbers_all_known(const char *text, const json_t *json, char missing[64]);

#endif
