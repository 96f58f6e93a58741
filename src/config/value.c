#include "config/value.h"

#include <errno.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/units.h"

void value_show(const char *text, char out[VALUE_SHOWN])
{
    size_t n = 0;
    for (; n < VALUE_SHOWN - 4 && text[n]; n++)
        out[n] = (unsigned char)text[n] < 0x20 || text[n] == 0x7f ? '?' : text[n];
    while (text[n] && n && ((unsigned char)text[n] & 0xc0) == 0x80) /* never half a character */
        n--;
    snprintf(out + n, VALUE_SHOWN - n, "%s", text[n] ? "..." : "");
}

static void write_words(const struct key_row *row, char *out, size_t room)
{
    size_t used = 0;
    for (const char *w = row->words ? row->words : "false true"; *w && used < room; w++)
        used += (size_t)snprintf(out + used, room - used, *w == ' ' ? " or " : "%c", *w);
}

struct wanted value_wanted(const struct key_row *row)
{
    struct wanted out;
    switch (row->kind) {
    case VALUE_MM:
    case VALUE_UM:
    case VALUE_S:
    case VALUE_MS:
    case VALUE_REAL:
        snprintf(out.text, sizeof out.text, "a number from %.10g to %.10g", row->least, row->most);
        break;
    case VALUE_REAL_OFF:
        snprintf(out.text, sizeof out.text, "a number from %.10g to %.10g, or off", row->least, row->most);
        break;
    case VALUE_INTEGER:
        snprintf(out.text, sizeof out.text, "a whole number from %.10g to %.10g", row->least, row->most);
        break;
    case VALUE_SEED:
        snprintf(out.text, sizeof out.text, "a whole number from 0 to 18446744073709551615");
        break;
    case VALUE_NAME:
        snprintf(out.text, sizeof out.text, "a name of at most %d bytes", NAME_ROOM - 1);
        break;
    case VALUE_TEXT:
    case VALUE_PATH:
        snprintf(out.text, sizeof out.text, "a path of at most %d bytes", PATH_ROOM - 1);
        break;
    case VALUE_WORD:
    case VALUE_FLAG:
        write_words(row, out.text, sizeof out.text);
        break;
    case VALUE_REGION:
        snprintf(out.text, sizeof out.text, "X,Y,W,H in pixels, W and H at least 1");
        break;
    }
    return out;
}

static int refuse(const struct key_row *row, const char *text, struct place at, const char *what,
                  struct err *why)
{
    char shown[VALUE_SHOWN];
    value_show(text, shown);
    return fail(why, E_INPUT, "%s:%d: %s: %s %s; write %s", at.file, at.line, row->name, shown, what,
                value_wanted(row).text);
}

static bool looks_like_nan(const char *text)
{
    const char *word = text + (*text == '-' || *text == '+');
    word += *word == '.';
    return !strncasecmp(word, "nan", 3) || !strncasecmp(word, "inf", 3);
}

/* A decimal number in any locale: strtod of the C locale, without its words and its hexadecimal. */
static bool parse_real(const char *text, double *out)
{
    if (!*text || text[strspn(text, "0123456789+-.eE")]) return false;
    locale_t plain = newlocale(LC_ALL_MASK, "C", (locale_t)0);
    if (!plain) return false;
    char *end;
    const double v = strtod_l(text, &end, plain);
    freelocale(plain);
    if (*end || end == text) return false;
    *out = v;
    return true;
}

const char *value_real(const char *text, double *out)
{
    char number[32];
    const size_t n = strspn(text, "0123456789.");
    if (!n || n >= sizeof number) return NULL;
    memcpy(number, text, n);
    number[n] = 0;
    return parse_real(number, out) ? text + n : NULL;
}

static int get_real(const struct key_row *row, const char *text, bool plain, struct place at, double *out,
                    struct err *why)
{
    double v;
    if (plain && looks_like_nan(text)) return refuse(row, text, at, "is no finite number", why);
    if (!plain) return refuse(row, text, at, "is in quotes, which makes it a text", why);
    if (!parse_real(text, &v)) return refuse(row, text, at, "is not a decimal number", why);
    if (!isfinite(v)) return refuse(row, text, at, "is no finite number", why);
    if (v < row->least || v > row->most) return refuse(row, text, at, "is out of range", why);
    *out = v;
    return E_OK;
}

static int set_number(const struct key_row *row, const char *text, bool plain, struct place at, void *field,
                      struct err *why)
{
    double v = 0;
    if (row->kind == VALUE_REAL_OFF && plain && !strcmp(text, "off")) text = "0";
    int rc = get_real(row, text, plain, at, &v, why);
    if (rc) return rc;
    switch (row->kind) {
    case VALUE_MM:
        *(int64_t *)field = nm_from_mm(v);
        return E_OK;
    case VALUE_UM:
        *(int64_t *)field = nm_from_um(v);
        return E_OK;
    case VALUE_S:
        *(int64_t *)field = us_from_s(v);
        return E_OK;
    case VALUE_MS:
        *(int64_t *)field = llround(v * US_PER_MS);
        return E_OK;
    case VALUE_REAL_OFF:
        *(double *)field = v == 0 ? -1 : v;
        return E_OK;
    case VALUE_INTEGER:
        if (v != floor(v)) return refuse(row, text, at, "is not a whole number", why);
        *(int32_t *)field = (int32_t)v;
        return E_OK;
    default:
        *(double *)field = v;
        return E_OK;
    }
}

static int set_seed(const struct key_row *row, const char *text, bool plain, struct place at, uint64_t *field,
                    struct err *why)
{
    if (!plain || !*text || text[strspn(text, "0123456789")])
        return refuse(row, text, at, "is not a whole number", why);
    errno = 0;
    const unsigned long long v = strtoull(text, NULL, 10);
    if (errno) return refuse(row, text, at, "is out of range", why);
    *field = v;
    return E_OK;
}

static int set_word(const struct key_row *row, const char *text, struct place at, int *out, struct err *why)
{
    const size_t n = strlen(text);
    int index = 0;
    for (const char *w = row->words ? row->words : "false true"; *w; index++) {
        const size_t length = strcspn(w, " ");
        if (n == length && !memcmp(w, text, n)) {
            *out = index;
            return E_OK;
        }
        w += length + (w[length] == ' ');
    }
    return refuse(row, text, at, "is not known here", why);
}

static int set_text(const struct key_row *row, const char *text, struct place at, char *field,
                    struct err *why)
{
    const size_t room = row->kind == VALUE_NAME ? NAME_ROOM : PATH_ROOM;
    if (strlen(text) >= room) return refuse(row, text, at, "is too long", why);
    for (const char *p = text; *p; p++)
        if ((unsigned char)*p < 0x20 || *p == 0x7f)
            return refuse(row, text, at, "holds a control character", why);
    if (row->kind == VALUE_PATH) {
        struct err inner;
        if (reader_resolve(at.file, text, field, &inner))
            return refuse(row, text, at, "is too long a path", why);
        return E_OK;
    }
    snprintf(field, room, "%s", text);
    return E_OK;
}

static int set_region(const struct key_row *row, const char *text, struct place at, struct region_px *field,
                      struct err *why)
{
    int32_t v[4];
    int count = 0;
    const char *p = text;
    for (; count < 4; count++) {
        p += strspn(p, " ");
        char *end;
        if (*p < '0' || *p > '9') break;
        const long n = strtol(p, &end, 10);
        if (n > 1000000) break;
        v[count] = (int32_t)n;
        p = end + strspn(end, " ");
        if (count < 3 && *p++ != ',') break;
    }
    if (count < 4 || *p || v[2] < 1 || v[3] < 1) return refuse(row, text, at, "is not a region", why);
    *field = (struct region_px){v[0], v[1], v[2], v[3]};
    return E_OK;
}

int value_set(const struct key_row *row, const char *text, bool plain, struct place at, void *field,
              struct err *why)
{
    if (plain && (!*text || !strcmp(text, "~") || !strcmp(text, "null")))
        return fail(why, E_INPUT, "%s:%d: %s has no value; write %s", at.file, at.line, row->name,
                    value_wanted(row).text);
    int index = 0;
    int rc;
    switch (row->kind) {
    case VALUE_SEED:
        return set_seed(row, text, plain, at, field, why);
    case VALUE_NAME:
    case VALUE_TEXT:
    case VALUE_PATH:
        return set_text(row, text, at, field, why);
    case VALUE_WORD:
        rc = set_word(row, text, at, &index, why);
        if (!rc) *(int *)field = index;
        return rc;
    case VALUE_FLAG:
        rc = set_word(row, text, at, &index, why);
        if (!rc) *(bool *)field = index;
        return rc;
    case VALUE_REGION:
        return set_region(row, text, at, field, why);
    default:
        return set_number(row, text, plain, at, field, why);
    }
}
