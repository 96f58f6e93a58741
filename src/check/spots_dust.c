/* spots_dust.c - the soft shadows of dust: dips of the thumbnails against a ring around them. */
#include "check/spots_part.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

#include "base/mem.h"
#include "check/robust.h"

/* A square of pixels of the thumbnail against two rings around it; their sides are 2 r + 1. What is far out
 * of focus is bent over as far as its blur, as a parabola is: the outer ring takes that off the inner one, so
 * that only what is as small as the square stays. (Of one ring alone the demo's clock left four times as
 * much.) */
struct sieve {
    int32_t middle, hole, inner, outer; /* the inner ring around the hole, the outer one around that */
};
static const struct sieve sieves[] = {{1, 2, 4, 6}, {3, 5, 9, 13}};
#define SIEVES (int)(sizeof sieves / sizeof *sieves)

#define DIP_UNIT      0.002F /* of the code values; int8 holds a quarter either way */
#define DIP_MOST      0.24   /* more is no soft shadow, and not told apart any more */
#define DIP_LEAST     0.012  /* three times what rounding a thumbnail to whole code values can make */
#define CLUTTER_LEAST 0.03   /* details of subjects that were taken for dust came to 0.026 */
#define DIP_SIGMAS    8.0    /* of what all places of the picture show */
#define DIP_RANK      0.2    /* so few of the frames may show less */
#define WIDE_BLUR     1.0    /* as a blob is no wider than the square that finds it by this much more */

#define DISSOLVED 2.0 /* a blur so many times as wide leaves a quarter of a blob's contrast */
/* While the blur grows so many times, all but a few dips stay within that share of their middle. (On five
 * cluttered scenes with and without dust: 42 of 62 told and nothing else; with 0.3 and 6 sigma three details
 * of the subject as well, all weaker than CLUTTER_LEAST.) */
#define TELL_LEAST   8 /* frames */
#define HOLDS_OVER   1.4
#define HOLDS_WITHIN 0.25
#define WHOLE_BLUR   3.0  /* sizes */
#define ALONG_MOST   0.35 /* of the subject's way */
#define ALONG_TELLS  0.3  /* pixels of the thumbnail, RMS: a shorter way tells nothing */

/* Of so small a picture a thumbnail's pixel is hardly more than one of its own, and texture as fine as that
 * is everywhere; no camera makes such. */
#define FINE_PX 2.5

struct dust {
    const struct spot_look *l;
    const struct sieve *sieve;
    double px;      /* of the picture, a pixel of the thumbnail */
    double size_px; /* that this sieve finds */
    size_t pixels;  /* of a thumbnail */
    int8_t *dip;    /* [k * pixels + pixel] */
    uint8_t *dips;  /* [pixel] frames that show one */
    float *least;   /* [pixel] what nearly all frames show that tell; NAN */
    uint32_t *sums; /* (thumb_w + 1) x (thumb_h + 1) */
};

static void sum_up(const struct spot_look *l, const uint8_t *thumb, uint32_t *sums)
{
    const int32_t stride = l->thumb_w + 1;
    memset(sums, 0, (size_t)stride * sizeof *sums);
    for (int32_t y = 0; y < l->thumb_h; y++) {
        uint32_t row = 0, *to = sums + (size_t)(y + 1) * (size_t)stride;
        to[0] = 0;
        for (int32_t x = 0; x < l->thumb_w; x++) {
            row += thumb[y * l->thumb_w + x];
            to[x + 1] = to[x + 1 - stride] + row;
        }
    }
}

static double box(const struct dust *d, int32_t x, int32_t y, int32_t r)
{
    const int32_t stride = d->l->thumb_w + 1;
    const uint32_t *a = d->sums + (size_t)(y - r) * (size_t)stride,
                   *b = d->sums + (size_t)(y + r + 1) * (size_t)stride;
    return (double)(b[x + r + 1] - b[x - r] - a[x + r + 1] + a[x - r]);
}

static double side2(int32_t r)
{
    return (2.0 * r + 1) * (2.0 * r + 1);
}

/* Mean square of the distance from the middle, over a square. */
static double reach2(int32_t r)
{
    return 2 * r * (r + 1) / 3.0;
}

static double ring_reach2(int32_t from, int32_t to)
{
    return (side2(to) * reach2(to) - side2(from) * reach2(from)) / (side2(to) - side2(from));
}

static double ring(const struct dust *d, int32_t x, int32_t y, int32_t from, int32_t to)
{
    return (box(d, x, y, to) - box(d, x, y, from)) / (side2(to) - side2(from));
}

/* Share of the outer ring such that a plane or a round parabola leaves nothing. */
static double outer_share(const struct sieve *s)
{
    const double near = ring_reach2(s->hole, s->inner), far = ring_reach2(s->inner, s->outer);
    return (near - reach2(s->middle)) / (far - near);
}

static void find_dips(struct dust *d, int32_t k)
{
    const struct spot_look *l = d->l;
    const struct sieve *s = d->sieve;
    const double share = outer_share(s);
    sum_up(l, l->thumb + (size_t)k * (size_t)(l->thumb_w * l->thumb_h), d->sums);
    for (int32_t y = s->outer; y < l->thumb_h - s->outer; y++)
        for (int32_t x = s->outer; x < l->thumb_w - s->outer; x++) {
            const double near = ring(d, x, y, s->hole, s->inner), far = ring(d, x, y, s->inner, s->outer);
            const double middle = box(d, x, y, s->middle) / side2(s->middle);
            const double dip =
                near > 8 ? (near + share * (near - far) - middle) / near / (double)DIP_UNIT : 0;
            const double held = fmin(fmax(dip, -127), 127);
            const int32_t at = y * l->thumb_w + x;
            d->dip[(size_t)k * d->pixels + (size_t)at] = (int8_t)lrint(held);
            d->dips[at] = (uint8_t)(d->dips[at] + (dip * (double)DIP_UNIT >= DIP_LEAST / 2));
        }
}

/* What the frames show in which the subject is far out of focus at a place: its blur (spacings, INFINITY
 * without texture) and the dip. */
struct seen_there {
    double away[SPOT_FRAMES_MOST], dip[SPOT_FRAMES_MOST];
    int32_t k[SPOT_FRAMES_MOST], count, bare;
};

static struct seen_there look_there(const struct dust *d, int32_t x, int32_t y)
{
    const struct spot_look *l = d->l;
    const int8_t *dip = d->dip + (size_t)(y * l->thumb_w + x);
    struct seen_there s = {.count = 0};
    for (int32_t k = 0; k < l->frames; k++) {
        const double away = spots_away(l, k, (x + 0.5) * d->px, (y + 0.5) * d->px, d->sieve->outer * d->px);
        if (!(away * l->per_blur_px >= DISSOLVED * d->size_px)) continue;
        s.bare += isinf(away);
        s.away[s.count] = away;
        s.k[s.count] = k;
        s.dip[s.count++] = dip[(size_t)k * d->pixels] * (double)DIP_UNIT;
    }
    return s;
}

/* A subject's blob loses contrast as the square of the blur that grows; a shadow on the sensor does not. What
 * never shows texture is never in focus, and its blur changes by as much as the whole stack's: a blob that is
 * the same in all frames is none of its. */
static bool holds_on(const struct dust *d, const struct seen_there *s)
{
    const double whole_px = d->l->per_blur_px * (d->l->w->in->frames - 1);
    double room[SPOT_FRAMES_MOST], least = INFINITY, most = 0;
    for (int32_t i = 0; i < s->count; i++) {
        room[i] = s->dip[i];
        if (isinf(s->away[i])) continue;
        least = fmin(least, s->away[i]);
        most = fmax(most, s->away[i]);
    }
    const double low = robust_rank(room, s->count, DIP_RANK),
                 high = robust_rank(room, s->count, 1 - DIP_RANK);
    const bool bare = 2 * s->bare > s->count && whole_px > WHOLE_BLUR * d->size_px;
    return (bare || most > HOLDS_OVER * least) && high - low < HOLDS_WITHIN * (low + high) / 2 &&
           high < DIP_MOST;
}

/* Middle of the dip around a place in one frame, pixels of the thumbnail from there. */
static void middle_there(const struct dust *d, int32_t x, int32_t y, int32_t k, double *u_out, double *v_out)
{
    const struct spot_look *l = d->l;
    const int32_t r = d->sieve->inner, w = l->thumb_w;
    const int8_t *dip = d->dip + (size_t)k * d->pixels;
    const double half = dip[y * w + x] / 2.0;
    double sum = 0, su = 0, sv = 0;
    for (int32_t v = -r; v <= r; v++)
        for (int32_t u = -r; u <= r; u++) {
            const double there = dip[(y + v) * w + x + u] - half;
            if (there <= 0) continue;
            sum += there;
            su += there * u;
            sv += there * v;
        }
    *u_out = sum > 0 ? su / sum : 0;
    *v_out = sum > 0 ? sv / sum : 0;
}

/* Does the dip go along with the subject? Its way over the subject's, least squares; 0 where the subject
 * hardly moves. */
static double goes_along(const struct dust *d, const struct seen_there *s, int32_t x, int32_t y,
                         double *way_out)
{
    double at[SPOT_FRAMES_MOST][4], mean[4] = {0}, way = 0, with = 0;
    const double x_px = (x + 0.5) * d->px, y_px = (y + 0.5) * d->px;
    for (int32_t i = 0; i < s->count; i++) {
        middle_there(d, x, y, s->k[i], &at[i][0], &at[i][1]);
        tiles_follow(&d->l->w->tiles, d->l->frame[s->k[i]], x_px, y_px, &at[i][2], &at[i][3]);
        at[i][2] /= d->px;
        at[i][3] /= d->px;
        for (int c = 0; c < 4; c++)
            mean[c] += at[i][c] / s->count;
    }
    for (int32_t i = 0; i < s->count; i++)
        for (int c = 0; c < 2; c++) {
            const double subject = at[i][c + 2] - mean[c + 2];
            way += subject * subject;
            with += subject * (at[i][c] - mean[c]);
        }
    *way_out = sqrt(way / s->count);
    return way > 0 ? with / way : 0;
}

/* What all but a few of those frames show; NAN where that is more than `most`. */
static double told_dip(struct seen_there *s, double most)
{
    const double least = robust_rank(s->dip, s->count, DIP_RANK);
    return least < most ? least : NAN;
}

/* The same where it is the sensor's, or hardly anything; NAN: it is the subject's, or nobody knows. */
static double dip_at(const struct dust *d, int32_t x, int32_t y, int32_t *told)
{
    struct seen_there s = look_there(d, x, y);
    *told = s.count;
    if (s.count < TELL_LEAST) return NAN;
    if (!holds_on(d, &s)) return told_dip(&s, DIP_LEAST / 2);
    double way;
    const double along = goes_along(d, &s, x, y, &way);
    return way < ALONG_TELLS || fabs(along) < ALONG_MOST ? told_dip(&s, 1) : told_dip(&s, DIP_LEAST / 2);
}

/* Most places have nothing on them: every third each way says what is usual, of others only those are looked
 * at that show a dip in enough frames. */
static bool is_sample(int32_t x, int32_t y)
{
    return x % 3 == 0 && y % 3 == 0;
}

static bool may_be_dust(const struct dust *d, int32_t x, int32_t y)
{
    return d->dips[y * d->l->thumb_w + x] >= TELL_LEAST;
}

static double usual_dip(const struct dust *d, double *room)
{
    const int32_t w = d->l->thumb_w;
    int32_t m = 0;
    for (int32_t y = 0; y < d->l->thumb_h; y++)
        for (int32_t x = 0; x < w; x++)
            if (is_sample(x, y) && !isnan(d->least[y * w + x])) room[m++] = (double)d->least[y * w + x];
    return robust_sigma(room, m);
}

/* On the subject itself a weak dip is told from what is left of its blur only where it is this strong. */
static bool stands_out(const struct dust *d, int32_t x, int32_t y)
{
    const struct seen_there s = look_there(d, x, y);
    return 2 * s.bare > s.count || (double)d->least[y * d->l->thumb_w + x] >= CLUTTER_LEAST;
}

static bool is_top(const struct dust *d, int32_t x, int32_t y)
{
    const int32_t r = d->sieve->inner, w = d->l->thumb_w;
    const float here = d->least[y * w + x];
    for (int32_t v = y - r; v <= y + r; v++)
        for (int32_t u = x - r; u <= x + r; u++) {
            if (v < 0 || u < 0 || v >= d->l->thumb_h || u >= w) continue;
            const float there = d->least[v * w + u];
            const bool before = v < y || (v == y && u < x);
            if (there > here || (there == here && before)) return false;
        }
    return true;
}

/* Its middle and size: what shows half of it at least. */
static struct sensor_spot shape_spot(const struct dust *d, int32_t x, int32_t y)
{
    const int32_t r = d->sieve->inner, w = d->l->thumb_w;
    const double top = (double)d->least[y * w + x];
    double sum = 0, sx = 0, sy = 0, area = 0;
    for (int32_t v = y - r; v <= y + r; v++)
        for (int32_t u = x - r; u <= x + r; u++) {
            if (v < 0 || u < 0 || v >= d->l->thumb_h || u >= w) continue;
            const double there = (double)d->least[v * w + u];
            if (!(there > top / 2)) continue;
            sum += there;
            sx += there * (u + 0.5);
            sy += there * (v + 0.5);
            area++;
        }
    struct sensor_spot s = {.x_px = sx / sum * d->px, .y_px = sy / sum * d->px, .strength = top};
    s.size_px = 2 * sqrt(area / M_PI) * d->px;
    dip_at(d, x, y, &s.frames);
    return s;
}

/* Two sieves may find the same; the stronger counts. */
static bool known_already(struct verdict *v, const struct sensor_spot *s)
{
    for (int32_t i = 0; i < v->spot_count; i++) {
        struct sensor_spot *o = &v->spots[i];
        if (o->hot || hypot(o->x_px - s->x_px, o->y_px - s->y_px) > fmax(o->size_px, s->size_px)) continue;
        if (s->strength > o->strength) *o = *s;
        return true;
    }
    return false;
}

static int add_dust(const struct dust *d, double least, struct verdict *v, struct err *why)
{
    const struct spot_look *l = d->l;
    int rc = E_OK;
    for (int32_t y = 0; y < l->thumb_h && !rc; y++)
        for (int32_t x = 0; x < l->thumb_w && !rc; x++) {
            if (!((double)d->least[y * l->thumb_w + x] >= least) || !is_top(d, x, y) || !stands_out(d, x, y))
                continue;
            const struct sensor_spot s = shape_spot(d, x, y);
            if (!known_already(v, &s)) rc = spots_add(v, &s, why);
        }
    return rc;
}

static int sift(struct dust *d, double *room, struct verdict *v, struct err *why)
{
    const struct spot_look *l = d->l;
    const int32_t edge = d->sieve->outer;
    d->size_px = (2 * d->sieve->middle + 1 + 2 * WIDE_BLUR) * d->px;
    memset(d->dips, 0, d->pixels);
    for (int32_t k = 0; k < l->frames; k++)
        find_dips(d, k);
    for (int32_t y = 0; y < l->thumb_h; y++)
        for (int32_t x = 0; x < l->thumb_w; x++) {
            const bool inside = x >= edge && y >= edge && x < l->thumb_w - edge && y < l->thumb_h - edge;
            const bool asked = inside && (is_sample(x, y) || may_be_dust(d, x, y));
            int32_t told;
            d->least[y * l->thumb_w + x] = asked ? (float)dip_at(d, x, y, &told) : NAN;
        }
    return add_dust(d, fmax(DIP_LEAST, DIP_SIGMAS * usual_dip(d, room)), v, why);
}

int spots_find_dust(const struct spot_look *l, struct verdict *v, struct err *why)
{
    const size_t n = (size_t)l->thumb_w * (size_t)l->thumb_h;
    struct dust d = {.l = l, .pixels = n, .px = (double)l->w->tiles.width_px / l->thumb_w};
    double *room = mem_new(n, sizeof *room, why);
    const bool ok =
        room && (d.dip = mem_new(n * (size_t)l->frames, 1, why)) && (d.dips = mem_new(n, 1, why)) &&
        (d.least = mem_new(n, sizeof *d.least, why)) &&
        (d.sums = mem_new((size_t)(l->thumb_w + 1) * (size_t)(l->thumb_h + 1), sizeof *d.sums, why));
    int rc = ok ? E_OK : E_NOMEM;
    for (int i = 0; i < SIEVES && !rc && d.px >= FINE_PX; i++) {
        d.sieve = &sieves[i];
        rc = sift(&d, room, v, why);
    }
    mem_free(room);
    mem_free(d.dip);
    mem_free(d.dips);
    mem_free(d.least);
    mem_free(d.sums);
    return rc;
}
