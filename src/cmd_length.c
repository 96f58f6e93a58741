#include "cmd_length.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "base/units.h"

#define FURTHEST_MM 2000.0 /* as in the bench and job files */

int cmd_looks_like_length(const char *text)
{
    text += *text == '+' || *text == '-';
    text += *text == '.';
    return *text >= '0' && *text <= '9';
}

int cmd_length(const char *what, const char *text, int64_t *nm_out, struct err *why)
{
    const size_t digits = strspn(text, "+-.0123456789");
    const char *unit = text + digits;
    char *end;
    const double value = strtod(text, &end);
    const bool mm = !strcmp(unit, "mm"), um = !strcmp(unit, "um") || !strcmp(unit, "\xc2\xb5m");
    if (!digits || end != unit || (!mm && !um))
        return fail(why, E_INPUT, "%s %.40s: give a length with its unit, e.g. 3.4mm or 250um", what, text);
    if (!isfinite(value) || fabs(mm ? value : value / NM_PER_UM) > FURTHEST_MM)
        return fail(why, E_INPUT, "%s %.40s: more than %g mm; no axis goes so far", what, text, FURTHEST_MM);
    *nm_out = mm ? nm_from_mm(value) : nm_from_um(value);
    return E_OK;
}
