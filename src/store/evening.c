#include "store/evening.h"

#include <dirent.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "base/fs.h"
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
