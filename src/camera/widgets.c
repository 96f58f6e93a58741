#include "camera/widgets.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* strtod in the C locale, which the camera program keeps. */
static double number_at(const char *text, char **end)
{
    const double v = strtod(text, end);
    return *end == text || !isfinite(v) || v <= 0 ? NAN : v;
}

double widget_seconds(const char *choice)
{
    char *end = (char *)choice;
    double v = isdigit((unsigned char)*choice) ? number_at(choice, &end) : NAN;
    if (isnan(v)) return NAN;
    if (*end == '/') v /= number_at(end + 1, &end);
    end += strspn(end, " ");
    return !*end || !strcmp(end, "s") || !strcmp(end, "\"") || !strcmp(end, "sec") ? v : NAN;
}

double widget_f_number(const char *choice)
{
    char *end = (char *)choice;
    if (!strncasecmp(choice, "f/", 2))
        choice += 2;
    else if (!strncasecmp(choice, "f", 1))
        choice += 1;
    const double v = isdigit((unsigned char)*choice) ? number_at(choice, &end) : NAN;
    return isnan(v) || *end ? NAN : v;
}

double widget_iso(const char *choice)
{
    char *end = (char *)choice;
    const double v = isdigit((unsigned char)*choice) ? number_at(choice, &end) : NAN;
    return isnan(v) || *end ? NAN : v;
}

double widget_stops_apart(double a, double b, int per_stop)
{
    const double thirds_a = round(3 * per_stop * log2(a)), thirds_b = round(3 * per_stop * log2(b));
    return (thirds_a - thirds_b) / 3;
}
