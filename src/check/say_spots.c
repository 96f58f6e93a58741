/* say_spots.c - the finding of spots.c. */
#include <math.h>
#include <stdio.h>

#include "base/findings.h"
#include "check/work.h"

static int32_t count_of(const struct verdict *v, bool hot)
{
    int32_t n = 0;
    for (int32_t i = 0; i < v->spot_count; i++)
        n += v->spots[i].hot == hot;
    return n;
}

static void say_kind(char *out, size_t room, int32_t n, bool hot)
{
    const char *what = hot ? "hot pixel" : "dust shadow";
    if (n)
        snprintf(out, room, "%d %s%s", (int)n, what, n == 1 ? "" : "s");
    else
        out[0] = '\0';
}

int say_spots(struct work *w, struct err *why)
{
    const struct verdict *v = &w->v;
    if (!v->spot_count) return E_OK;
    const int32_t dust = count_of(v, false), hot = count_of(v, true);
    char a[32], b[32];
    say_kind(a, sizeof a, dust, false);
    say_kind(b, sizeof b, hot, true);
    const struct sensor_spot *first = &v->spots[0];
    const char *advice =
        !dust  ? "map them in the camera's menu, or take them out when developing"
        : !hot ? "clean the sensor before the next stack; merging drags them into streaks"
               : "clean the sensor before the next stack, and map the hot pixels in the camera's "
                 "menu; merging drags both into streaks";
    return finding_add(&w->v.findings, (struct finding_about){"spots", false, advice, NULL, 0}, why,
                       "on the sensor: %s%s%s; the %s at x %.0f, y %.0f px (derived/spots.png)", a,
                       dust && hot ? " and " : "", b, v->spot_count == 1 ? "one" : "strongest", first->x_px,
                       first->y_px);
}
