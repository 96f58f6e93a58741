#include "device/trade.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "optics/exposure.h"
#include "optics/marks.h"

#define NAMES_MOST 5

/* Of several that a camera has, the first that can be set; else the first. */
static const struct {
    const char *name;
    const char *theirs[NAMES_MOST];
} trades[TRADE_COUNT] = {
    [TRADE_SHUTTER] = {"shutter", {"shutterspeed", "shutterspeed2", "exptime"}},
    [TRADE_APERTURE] = {"aperture", {"f-number", "aperture", "aperture2"}},
    [TRADE_ISO] = {"iso", {"iso", "isospeed"}},
    [TRADE_WHITE_BALANCE] = {"white-balance", {"whitebalance"}},
    [TRADE_FORMAT] = {"format", {"imageformat", "imagequality", "imageformatsd", "imageformatcf"}},
    [TRADE_DRIVE] = {"drive", {"drivemode", "capturemode"}},
    [TRADE_FOCUS] = {"focus", {"focusmode", "focusmode2", "afmode"}},
    [TRADE_DELAY] = {"delay", {"exposuredelaymode", "mirrorlock"}},
    [TRADE_BULB] = {"bulb", {"bulb"}},
};

const char *trade_name(enum trade t)
{
    return trades[t].name;
}

int trade_of_name(const char *name, size_t length, enum trade *out, struct err *why)
{
    char known[128] = "";
    size_t used = 0;
    for (int t = 0; t < TRADE_COUNT; t++) {
        if (strlen(trades[t].name) == length && !strncasecmp(trades[t].name, name, length)) {
            *out = (enum trade)t;
            return E_OK;
        }
        used += (size_t)snprintf(known + used, sizeof known - used, "%s%s", t ? ", " : "", trades[t].name);
    }
    return fail(why, E_INPUT, "%.*s: no setting has that name; use one of: %s", (int)length, name, known);
}

/* ---- the three that are numbers: nominal, and met by the third of a stop */

double trade_value(enum trade t, const char *word)
{
    switch (t) {
    case TRADE_SHUTTER:
        return mark_seconds(word);
    case TRADE_APERTURE:
        return mark_f_number(word);
    case TRADE_ISO:
        return mark_iso(word);
    default:
        return NAN;
    }
}

static bool is_number(enum trade t)
{
    return t <= TRADE_ISO;
}

static bool mark_of(enum trade t, double value, char out[MARK_ROOM])
{
    if (t == TRADE_SHUTTER) return mark_of_time(exposure_time_third(value), out);
    if (t == TRADE_APERTURE) return mark_of_f_number(exposure_f_number_third(value), out);
    return mark_of_iso(exposure_iso_third(value), out);
}

/* ---- the others are words */

struct synonym {
    enum trade trade;
    const char *ours;
    const char *theirs[7]; /* one of them stands somewhere in the camera's word */
};

/* In this order: what is found first counts. One family misspells the word for tubes. */
static const struct synonym synonyms[] = {
    {TRADE_WHITE_BALANCE, "auto", {"auto", "awb", "ambience"}},
    {TRADE_WHITE_BALANCE, "daylight", {"daylight", "sunny", "sunlight"}},
    {TRADE_WHITE_BALANCE, "shade", {"shade", "shadow"}},
    {TRADE_WHITE_BALANCE, "cloudy", {"cloud"}},
    {TRADE_WHITE_BALANCE, "tungsten", {"tungsten", "incandescent"}},
    {TRADE_WHITE_BALANCE, "fluorescent", {"fluor", "flour"}},
    {TRADE_WHITE_BALANCE, "flash", {"flash", "strobe"}},
    {TRADE_WHITE_BALANCE, "kelvin", {"kelvin", "color temp", "colour temp"}},
    {TRADE_WHITE_BALANCE, "manual", {"manual", "preset", "custom", "one-push"}},
    {TRADE_DRIVE, "timer", {"timer", "selftimer"}},
    {TRADE_DRIVE, "mirror-up", {"mirror"}},
    {TRADE_DRIVE, "silent", {"silent", "quiet"}},
    {TRADE_DRIVE, "bracket", {"bracket"}},
    {TRADE_DRIVE, "remote", {"remote"}},
    {TRADE_DRIVE, "continuous", {"continuous", "burst", "super high"}},
    {TRADE_DRIVE, "single", {"single", "normal"}},
    {TRADE_DELAY, "off", {"off"}},
    {TRADE_DELAY, "on", {"on"}},
    {TRADE_FOCUS, "manual", {"manual", "mf"}},
    {TRADE_FOCUS, "continuous", {"af-c", "servo", "continuous"}},
    {TRADE_FOCUS, "single", {"af-s", "one shot", "single"}},
    {TRADE_FOCUS, "auto", {"auto", "af-a", "ai focus", "macro"}},
};
#define SYNONYMS (sizeof synonyms / sizeof *synonyms)

static const char *meaning(enum trade t, const char *word)
{
    for (size_t i = 0; i < SYNONYMS; i++)
        for (int k = 0; synonyms[i].trade == t && k < 7 && synonyms[i].theirs[k]; k++)
            if (strcasestr(word, synonyms[i].theirs[k])) return synonyms[i].ours;
    return NULL;
}

bool trade_has_raw(const char *word)
{
    return strcasestr(word, "raw") || strcasestr(word, "nef");
}

bool trade_has_jpeg(const char *word)
{
    static const char *const marks[] = {"jpeg",  "jpg",    "fine",  "norm", "basic",
                                        "large", "medium", "small", "+"};
    for (size_t i = 0; i < sizeof marks / sizeof *marks; i++)
        if (strcasestr(word, marks[i])) return !strcasestr(word, "tiff");
    return false;
}

static const char *format_meaning(const char *word)
{
    if (trade_has_raw(word)) return trade_has_jpeg(word) ? "raw+jpeg" : "raw";
    return trade_has_jpeg(word) ? "jpeg" : NULL;
}

void trade_say(enum trade t, const char *word, told_word out)
{
    char mark[MARK_ROOM];
    const double v = trade_value(t, word);
    const char *ours = t == TRADE_FORMAT ? format_meaning(word) : meaning(t, word);
    if (t == TRADE_ISO && strcasestr(word, "auto")) ours = "auto";
    if (t == TRADE_SHUTTER && strcasestr(word, "bulb")) ours = "bulb";
    if (t == TRADE_BULB) ours = strcmp(word, "0") ? "open" : "shut";
    if (is_number(t) && !isnan(v)) {
        /* half stops and the like are no mark of this series: they stay as they are written */
        const bool marked = mark_of(t, v, mark) && fabs(log2(trade_value(t, mark) / v)) < 0.06;
        snprintf(out, TOLD_ROOM, "%s%s",
                 t == TRADE_APERTURE && (marked || isdigit((unsigned char)*word)) ? "f/" : "",
                 marked ? mark : word);
    } else {
        snprintf(out, TOLD_ROOM, "%s", ours ? ours : word);
    }
}

int trade_battery_percent(const char *word)
{
    static const struct {
        const char *word;
        int percent;
    } words[] = {{"empty", 0},    {"low", 10},   {"critical", 5}, {"half", 50}, {"medium", 50},
                 {"normal", 100}, {"high", 100}, {"full", 100},   {"ok", 100}};
    if (isdigit((unsigned char)*word)) return atoi(word) > 100 ? 100 : atoi(word);
    for (size_t i = 0; i < sizeof words / sizeof *words; i++)
        if (strcasestr(word, words[i].word)) return words[i].percent;
    return -1;
}

/* ---- which of a camera's settings it is */

/* Is it of the kind and with the values that such a setting has? */
static bool fits(enum trade t, const struct told_setting *row)
{
    if (t == TRADE_BULB) return row->kind == TOLD_SWITCH;
    if (row->kind != TOLD_CHOICE && row->kind != TOLD_TEXT && row->kind != TOLD_RANGE) return false;
    if (!is_number(t)) return row->kind == TOLD_CHOICE;
    if (!isnan(trade_value(t, row->is))) return true;
    for (int32_t i = 0; i < row->can_count; i++)
        if (!isnan(trade_value(t, row->can[i]))) return true;
    return false;
}

/* Under whatever name: choices of which most are times, with fractions among them. */
static bool looks_like_times(const struct told_setting *row)
{
    int32_t times = 0, fractions = 0;
    for (int32_t i = 0; i < row->can_count; i++) {
        times += !isnan(mark_seconds(row->can[i]));
        fractions += !strncmp(row->can[i], "1/", 2);
    }
    return row->kind == TOLD_CHOICE && fractions >= 3 && times + 2 >= row->can_count;
}

static bool looks_like_apertures(const struct told_setting *row)
{
    int32_t marked = 0;
    for (int32_t i = 0; i < row->can_count; i++)
        marked += !strncasecmp(row->can[i], "f/", 2) && !isnan(mark_f_number(row->can[i]));
    return row->kind == TOLD_CHOICE && marked >= 3 && marked + 2 >= row->can_count;
}

/* Bodies without it show a switch of that name, too: their times say whether it is true. */
static bool has_bulb(const struct told *told)
{
    const struct told_setting *times = trade_find(told, TRADE_SHUTTER);
    for (int32_t i = 0; times && i < times->can_count; i++)
        if (strcasestr(times->can[i], "bulb")) return true;
    return false;
}

const struct told_setting *trade_find(const struct told *told, enum trade t)
{
    if (t == TRADE_BULB && !has_bulb(told)) return NULL;
    const struct told_setting *found = NULL;
    for (int k = 0; k < NAMES_MOST && trades[t].theirs[k]; k++) {
        const struct told_setting *row = told_find(told, trades[t].theirs[k]);
        if (!row || !fits(t, row)) continue;
        if (!found || (found->fixed && !row->fixed)) found = row;
    }
    for (int32_t i = 0; !found && i < told->count; i++)
        if ((t == TRADE_SHUTTER && looks_like_times(&told->rows[i])) ||
            (t == TRADE_APERTURE && looks_like_apertures(&told->rows[i])))
            found = &told->rows[i];
    return found;
}

/* ---- choosing */

static const char *word_equal(const struct told_setting *row, const char *wanted)
{
    for (int32_t i = 0; i < row->can_count; i++)
        if (!strcasecmp(row->can[i], wanted)) return row->can[i];
    return NULL;
}

/* The same third; of several in one the nearest. */
static const char *nearest(const struct told_setting *row, enum trade t, double wanted, double *stops_out)
{
    const char *best = NULL;
    *stops_out = INFINITY;
    for (int32_t i = 0; i < row->can_count; i++) {
        const double v = trade_value(t, row->can[i]);
        if (isnan(v)) continue;
        const int per_stop = t == TRADE_APERTURE ? 2 : 1;
        const double stops = fabs(mark_stops_apart(v, wanted, per_stop)) + 1e-3 * fabs(log2(v / wanted));
        if (stops >= *stops_out) continue;
        *stops_out = stops;
        best = row->can[i];
    }
    return best;
}

static void list_meanings(const struct told_setting *row, enum trade t, char *out, size_t room)
{
    size_t used = 0;
    out[0] = '\0';
    for (int32_t i = 0; i < row->can_count && used + TOLD_ROOM + 2 < room; i++) {
        told_word said;
        trade_say(t, row->can[i], said);
        const char *before = strstr(out, said);
        if (before && (before[strlen(said)] == ',' || !before[strlen(said)])) continue;
        used += (size_t)snprintf(out + used, room - used, "%s%s", used ? ", " : "", said);
    }
}

static int choose_number(const struct told_setting *row, enum trade t, const char *wanted, told_word out,
                         struct err *why)
{
    told_word said;
    double stops;
    const double v = trade_value(t, wanted);
    if (isnan(v))
        return fail(why, E_INPUT, "%s=%s: that is no %s; write e.g. %s", trade_name(t), wanted, trade_name(t),
                    t == TRADE_SHUTTER    ? "shutter=1/60, or shutter=2"
                    : t == TRADE_APERTURE ? "aperture=5.6"
                                          : "iso=100");
    const char *word = nearest(row, t, v, &stops);
    if (word && stops < 0.2) {
        snprintf(out, TOLD_ROOM, "%s", word);
        return E_OK;
    }
    trade_say(t, word ? word : row->is, said);
    return fail(why, E_UNSUPPORTED, "%s=%s: this camera has not that; the nearest is %s", trade_name(t),
                wanted, said);
}

/* Of several words for one format the one that loses least. */
static const char *finest(const struct told_setting *row, const char *wanted)
{
    static const char *const better[] = {"basic", "norm", "fine", "super"};
    const char *best = NULL;
    int most = -1;
    for (int32_t i = 0; i < row->can_count; i++) {
        const char *means = format_meaning(row->can[i]);
        int rank = !strcasestr(row->can[i], "small") && !strcasestr(row->can[i], "medium");
        for (int k = 0; k < 4; k++)
            if (strcasestr(row->can[i], better[k])) rank = 2 * k + (rank & 1);
        if (!means || strcasecmp(means, wanted) != 0 || rank <= most) continue;
        most = rank;
        best = row->can[i];
    }
    return best;
}

int trade_choose(const struct told_setting *row, enum trade t, const char *wanted, told_word out,
                 struct err *why)
{
    char has[256];
    told_word said;
    const char *word = word_equal(row, wanted);
    if (row->fixed || t == TRADE_BULB)
        return fail(why, E_UNSUPPORTED, "%s: this camera does not let a program set it; set it by hand",
                    trade_name(t));
    if (!word && t == TRADE_FORMAT) word = finest(row, wanted);
    for (int32_t i = 0; !word && i < row->can_count; i++) {
        trade_say(t, row->can[i], said);
        const bool same = !strcasecmp(said, wanted);
        if (same && !(is_number(t) && !isnan(trade_value(t, row->can[i])))) word = row->can[i];
    }
    if (!word && is_number(t)) return choose_number(row, t, wanted, out, why);
    if (!word) {
        list_meanings(row, t, has, sizeof has);
        return fail(why, E_UNSUPPORTED, "%s=%s: this camera has not that; it has %s", trade_name(t), wanted,
                    has);
    }
    snprintf(out, TOLD_ROOM, "%s", word);
    return E_OK;
}
