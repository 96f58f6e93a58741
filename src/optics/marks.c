#include "optics/marks.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "optics/exposure.h"

/* ---- reading; the program keeps the C locale for numbers */

static double number_at(const char *text, char **end)
{
    *end = (char *)text;
    if (!isdigit((unsigned char)*text)) return NAN;
    const double v = strtod(text, end);
    return *end == text || !isfinite(v) || v <= 0 ? NAN : v;
}

static bool over(const char *end, const char *unit)
{
    end += strspn(end, " ");
    if (!*end) return true;
    return unit && (!strcmp(end, unit) || !strcmp(end, "\"") || !strcmp(end, "sec"));
}

double mark_seconds(const char *text)
{
    char *end;
    double v = number_at(text, &end);
    if (isnan(v)) return NAN;
    if (*end == '/') v /= number_at(end + 1, &end);
    return over(end, "s") ? v : NAN;
}

double mark_f_number(const char *text)
{
    char *end;
    if (!strncasecmp(text, "f/", 2))
        text += 2;
    else if (!strncasecmp(text, "f", 1))
        text += 1;
    const double v = number_at(text + strspn(text, " "), &end);
    return isnan(v) || !over(end, NULL) ? NAN : v;
}

double mark_iso(const char *text)
{
    char *end;
    if (!strncasecmp(text, "iso", 3)) text += 3 + strspn(text + 3, " ");
    const double v = number_at(text, &end);
    return isnan(v) || !over(end, NULL) ? NAN : v;
}

/* ---- writing: the marks do not follow from the thirds, they are tables */

#define TIME_FIRST 15 /* 30 s */

bool mark_of_time(int k, char out[MARK_ROOM])
{
    static const char *const marks[] = {
        "30",     "25",      "20",      "15",      "13",      "10",      "8",      "6",      "5",
        "4",      "3.2",     "2.5",     "2",       "1.6",     "1.3",     "1",      "0.8",    "0.6",
        "0.5",    "0.4",     "0.3",     "1/4",     "1/5",     "1/6",     "1/8",    "1/10",   "1/13",
        "1/15",   "1/20",    "1/25",    "1/30",    "1/40",    "1/50",    "1/60",   "1/80",   "1/100",
        "1/125",  "1/160",   "1/200",   "1/250",   "1/320",   "1/400",   "1/500",  "1/640",  "1/800",
        "1/1000", "1/1250",  "1/1600",  "1/2000",  "1/2500",  "1/3200",  "1/4000", "1/5000", "1/6400",
        "1/8000", "1/10000", "1/12800", "1/16000", "1/20000", "1/25600", "1/32000"};
    const int i = TIME_FIRST - k;
    if (i < 0 || i >= (int)(sizeof marks / sizeof *marks)) return false;
    snprintf(out, MARK_ROOM, "%s", marks[i]);
    return true;
}

bool mark_of_f_number(int k, char out[MARK_ROOM])
{
    const double mark = exposure_f_number_mark(k);
    if (isnan(mark)) return false;
    snprintf(out, MARK_ROOM, "%g", mark);
    return true;
}

#define ISO_FIRST (-6) /* 25 */

bool mark_of_iso(int k, char out[MARK_ROOM])
{
    static const int marks[] = {25,    32,    40,    50,    64,    80,    100,   125,   160,   200,
                                250,   320,   400,   500,   640,   800,   1000,  1250,  1600,  2000,
                                2500,  3200,  4000,  5000,  6400,  8000,  10000, 12800, 16000, 20000,
                                25600, 32000, 40000, 51200, 64000, 80000, 102400};
    const int i = k - ISO_FIRST;
    if (i < 0 || i >= (int)(sizeof marks / sizeof *marks)) return false;
    snprintf(out, MARK_ROOM, "%d", marks[i]);
    return true;
}

double mark_stops_apart(double a, double b, int per_stop)
{
    const double thirds_a = round(3 * per_stop * log2(a)), thirds_b = round(3 * per_stop * log2(b));
    return (thirds_a - thirds_b) / 3;
}
