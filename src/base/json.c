#include "base/json.h"

#include <math.h>
#include <string.h>
#include <time.h>

#include "base/mem.h"
#include "base/units.h"

/* Enough digits for a nanometre in a metre, few enough that 45.9 stays 45.9. */
#define DIGITS 12

json_t *json_number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

json_t *json_rounded(double value, int decimals)
{
    const double unit = pow(10.0, decimals);
    return json_number(round(value * unit) / unit);
}

json_t *json_um(int64_t nm)
{
    return json_real(um_from_nm(nm));
}

json_t *json_mm(int64_t nm)
{
    return json_real(mm_from_nm(nm));
}

json_t *json_ms(int64_t us)
{
    return json_real(ms_from_us(us));
}

json_t *json_s(int64_t us)
{
    return json_real(s_from_us(us));
}

json_t *json_text(const char *text)
{
    if (!text) return json_null();
    json_t *out = json_string(text);
    if (out) return out;
    char *clean = mem_copy_text(text, NULL);
    if (!clean) return json_null();
    for (char *p = clean; *p; p++)
        if ((unsigned char)*p >= 0x80) *p = '?';
    out = json_string(clean);
    mem_free(clean);
    return out;
}

json_t *json_utc(int64_t wall_us)
{
    time_t seconds = (time_t)(wall_us / US_PER_S);
    struct tm tm;
    gmtime_r(&seconds, &tm);
    return json_sprintf("%04d-%02d-%02dT%02d:%02d:%02d.%03dZ", tm.tm_year + 1900, tm.tm_mon + 1, tm.tm_mday,
                        tm.tm_hour, tm.tm_min, tm.tm_sec, (int)(wall_us % US_PER_S / 1000));
}

void json_write(FILE *out, const json_t *json)
{
    json_dumpf(json, out, JSON_INDENT(2) | JSON_REAL_PRECISION(DIGITS));
    fputc('\n', out);
}

double json_get_number(const json_t *object, const char *key)
{
    const json_t *v = json_object_get(object, key);
    return json_is_number(v) ? json_number_value(v) : NAN;
}

const char *json_get_text(const json_t *object, const char *key)
{
    const char *s = json_string_value(json_object_get(object, key));
    return s ? s : "";
}
