#include "store/evening.h"

#include <dirent.h>
#include <limits.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "base/fs.h"
#include "base/mem.h"
#include "base/units.h"
#include "store/folder.h"

#define MORNING_S  (6 * 3600)
#define STACK_MOST 999999L

int32_t evening_utc_offset_s(int64_t wall_us)
{
    const time_t seconds = (time_t)(wall_us / US_PER_S);
    struct tm tm;
    return localtime_r(&seconds, &tm) ? (int32_t)tm.tm_gmtoff : 0;
}

void evening_date(int64_t wall_us, int32_t utc_offset_s, char out[EVENING_DATE_ROOM])
{
    const time_t seconds = (time_t)(wall_us / US_PER_S) + utc_offset_s - MORNING_S;
    struct tm tm;
    gmtime_r(&seconds, &tm);
    strftime(out, EVENING_DATE_ROOM, "%Y-%m-%d", &tm);
}

/* The number in "stack-012"; 0 for any other name. */
static long number_of(const char *name)
{
    static const char prefix[] = "stack-";
    char *end;
    if (strncmp(name, prefix, strlen(prefix)) != 0) return 0;
    const char *digits = name + strlen(prefix);
    const long n = *digits >= '0' && *digits <= '9' ? strtol(digits, &end, 10) : 0;
    return n > 0 && n < STACK_MOST && !*end ? n : 0;
}

static long highest(const char *dir)
{
    long most = 0;
    DIR *d = opendir(dir);
    if (!d) return 0;
    for (struct dirent *e; (e = readdir(d));) {
        const long n = number_of(e->d_name);
        if (n > most) most = n;
    }
    closedir(d);
    return most;
}

int evening_next_stack(const char *base, int64_t wall_us, int32_t utc_offset_s, char *out, size_t room,
                       struct err *why)
{
    char date[EVENING_DATE_ROOM], dir[PATH_MAX], name[32];
    evening_date(wall_us, utc_offset_s, date);
    int rc = *base ? fs_join(dir, sizeof dir, base, date, why) : E_OK;
    if (!*base) snprintf(dir, sizeof dir, "%s", date);
    if (!rc && !fs_exists(dir)) {
        rc = fs_make_dir(dir, why);
        if (rc == E_STATE) rc = E_OK; /* another process was quicker */
    }
    if (!rc && !folder_is_dir(dir)) rc = fail(why, E_INPUT, "%s: is no folder; use --stack DIR", dir);
    if (rc) return rc;
    snprintf(name, sizeof name, "stack-%03ld", highest(dir) + 1);
    return fs_join(out, room, dir, name, why);
}

/* ---- evening.txt */

#define TEXT_MOST  (1 << 20)
#define LINE_ROOM  512
#define LIGHT_WORD "  light "

static const char head[] =
    "# one line a stack: when it was begun, frames, verdict, light against the stack before, light, job\n";

static bool is_of(const char *line, const char *stack)
{
    const size_t n = strlen(stack);
    return !strncmp(line, stack, n) && line[n] == ' ';
}

/* The light in the last line before that of this stack; 0 when there is none, or none that can be read. */
static double light_before(const char *text, const char *stack)
{
    double light = 0;
    for (const char *line = text; *line; line += strcspn(line, "\n"), line += *line == '\n') {
        char copy[LINE_ROOM];
        if (is_of(line, stack)) break;
        if (*line == '#') continue;
        snprintf(copy, sizeof copy, "%.*s", (int)strcspn(line, "\n"), line);
        const char *at = strstr(copy, LIGHT_WORD);
        const double found = at ? strtod(at + strlen(LIGHT_WORD), NULL) : 0;
        if (*copy) light = isfinite(found) && found > 0 ? found : 0;
    }
    return light;
}

static void write_line(const struct evening_line *l, double stops, char out[LINE_ROOM])
{
    const time_t local = (time_t)(l->begun_wall_us / US_PER_S) + l->utc_offset_s;
    struct tm tm;
    char when[8], change[24] = "-", frames[32];
    gmtime_r(&local, &tm);
    strftime(when, sizeof when, "%H:%M", &tm);
    if (isfinite(stops)) snprintf(change, sizeof change, "%+.2f stops", round(100 * stops) / 100 + 0.0);
    snprintf(frames, sizeof frames, "%d of %d", (int)l->kept, (int)l->slices);
    snprintf(out, LINE_ROOM, "%s  %s  %-12s  %-24s  %-12s" LIGHT_WORD "%.5f  %s\n", l->stack, when, frames,
             l->verdict, change, l->light, l->job);
}

/* `text` with the line in the place of the stack's own, or behind all others. */
static char *with_line(const char *text, const char *stack, const char *new_line, struct err *why)
{
    const size_t room = strlen(text) + strlen(new_line) + sizeof head + 2;
    char *out = mem_new(room, 1, why);
    if (!out) return NULL;
    const char *own = text;
    while (*own && !is_of(own, stack)) {
        own += strcspn(own, "\n");
        own += *own == '\n';
    }
    const char *rest = own + strcspn(own, "\n");
    rest += *rest == '\n';
    const bool open_end = own > text && own[-1] != '\n';
    snprintf(out, room, "%s%.*s%s%s%s", *text ? "" : head, (int)(own - text), text, open_end ? "\n" : "",
             new_line, rest);
    return out;
}

int evening_note(const char *dir, const struct evening_line *l, double *stops_out, struct err *why)
{
    char path[PATH_MAX], line[LINE_ROOM];
    uint8_t *bytes = NULL;
    size_t count = 0;
    int rc = fs_join(path, sizeof path, dir, EVENING_FILE, why);
    if (!rc && fs_exists(path)) rc = fs_read(path, TEXT_MOST, &bytes, &count, why);
    if (rc) return rc;
    const char *text = bytes ? (const char *)bytes : "";
    const double before = light_before(text, l->stack);
    const double stops = before > 0 && l->light > 0 ? log2(l->light / before) : NAN;
    write_line(l, stops, line);
    char *all = with_line(text, l->stack, line, why);
    rc = all ? fs_replace(dir, EVENING_FILE, all, strlen(all), why) : E_NOMEM;
    mem_free(all);
    mem_free(bytes);
    if (!rc) *stops_out = stops;
    return rc;
}
