/* spots_hot.c - pixels that are bright by themselves: a subject out of focus has no lone bright pixel. */
#include "check/spots_part.h"

#include <math.h>
#include <stddef.h>

#include "check/robust.h"

#define HOT_LEAST   5.0 /* code values over its neighbours */
#define HOT_SIGMAS  6.0
#define HOT_BLUR_PX 4.0 /* of the subject: spreads its lone pixels over a dozen */
#define HOT_SHARE   0.8 /* of those frames show it */
#define HOT_EVEN    0.5 /* of its middle strength, at least, in each of them */

static bool same_place(const struct found *a, const struct found *b)
{
    return a->x_px == b->x_px && a->y_px == b->y_px;
}

/* The place that most frames name. */
static const struct found *usual_place(const struct found *f, int32_t n)
{
    int32_t best = 0, most = 0;
    for (int32_t i = 0; i < n; i++) {
        int32_t same = 0;
        for (int32_t j = 0; j < n; j++)
            same += same_place(&f[i], &f[j]);
        if (same <= most) continue;
        most = same;
        best = i;
    }
    return &f[best];
}

static bool is_hot(const struct spot_look *l, const struct found *f, struct sensor_spot *out)
{
    const struct found *at = usual_place(f, l->frames);
    double room[SPOT_FRAMES_MOST];
    int32_t asked = 0, n = 0;
    for (int32_t k = 0; k < l->frames; k++) {
        const double away = spots_away(l, k, at->x_px, at->y_px, 0);
        if (!(away * l->per_blur_px >= HOT_BLUR_PX)) continue;
        asked++;
        if (same_place(&f[k], at)) room[n++] = (double)f[k].excess;
    }
    if (asked < SPOT_FRAMES_TELL || n < HOT_SHARE * asked) return false;
    const double middle = robust_median(room, n);
    if (middle < HOT_LEAST || middle < HOT_SIGMAS * l->noise / 4) return false;
    int32_t even = 0;
    for (int32_t i = 0; i < n; i++)
        even += room[i] >= HOT_EVEN * middle;
    *out = (struct sensor_spot){
        .hot = true, .x_px = at->x_px, .y_px = at->y_px, .size_px = 1, .strength = middle, .frames = n};
    return even >= HOT_SHARE * asked;
}

/* On the border of two cells the pixel beside it may be the other one's brightest. */
static bool beside_known(struct verdict *v, const struct sensor_spot *s)
{
    for (int32_t i = 0; i < v->spot_count; i++) {
        struct sensor_spot *o = &v->spots[i];
        if (fabs(o->x_px - s->x_px) > 1 || fabs(o->y_px - s->y_px) > 1) continue;
        if (s->strength > o->strength) *o = *s;
        return true;
    }
    return false;
}

int spots_find_hot(const struct spot_look *l, struct verdict *v, struct err *why)
{
    int rc = E_OK;
    for (int32_t c = 0; c < l->cells && !rc; c++) {
        struct sensor_spot s;
        if (is_hot(l, &l->brightest[(size_t)c * (size_t)l->frames], &s) && !beside_known(v, &s))
            rc = spots_add(v, &s, why);
    }
    return rc;
}
