/* sweep_place.c - one picture held against a sweep: where was it focused?
 *
 * Within the sweep: the sweep's own pictures, interpolated between the frames, are moved until they fit by
 * least squares (Gauss and Newton's method, from memory). Eight parts of the picture answer by themselves,
 * and how they differ is the uncertainty.
 * Beyond it: where the places that were seen lie in one plane, as those of a ruler do, the plane goes on over
 * the whole picture, and so does the band that is sharp. */
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "base/select.h"
#include "image/sweeps.h"

#define PARTS       8
#define TURNS       20    /* of the method, at most */
#define CLOSE       0.001 /* of a step: it stands */
#define LIKE        0.8   /* below it no frame of the sweep is like it (guess) */
#define ALIKE       4.0   /* neighbouring pictures show the same: so many count as one (guess) */
#define RISE        2.0   /* of the sharp band over what else there is (guess) */
#define CLEAR       0.25  /* so many of the places, those with the clearest tops, make the plane (guess) */
#define BRIGHT      0.98  /* so many have less than what is surely in focus (guess) */
#define WEAK        0.02  /* of that; what never has so much is noise, or no texture (guess) */
#define ROUNDS      4     /* of fitting the plane, without what lies far off it */
#define FAR_OFF     3.0   /* of their spread; common practice, no source */
#define PLANE_WIDTH 0.5   /* of a focus' width: further off on the whole it is no plane (guess) */

struct held {
    const struct sweep *sweep;
    float *least;         /* [place] its least in the sweep: there it is out of focus, or noise */
    float *most;          /* and its most; 0: it never comes into focus there, and tells nothing */
    const float *picture; /* what is held against it */
    struct spot *spots;   /* room for as many as there are places */
    double *room;
};

static const float *frame_of(const struct sweep *s, int32_t k)
{
    return s->energy + (size_t)k * (size_t)s->places;
}

/* ---- within the sweep: in frames, and in roots of energy, whose noise is the same for high and low */

static double root(const struct held *h, const float *energy, int32_t place)
{
    if (!(h->most[place] > 0)) return 0;
    return sqrt(fmax((double)energy[place] - (double)h->least[place], 0));
}

/* What a place shows at a position between frames, and its slope: a cubic with the slopes of its neighbours
 * (Catmull and Rom, 1974, from memory). */
static double between(const struct held *h, int32_t place, double x, double *slope)
{
    const int32_t last = h->sweep->frames - 3;
    const int32_t k = x < 1 ? 1 : x > last ? last : (int32_t)x;
    double v[4];
    for (int32_t i = 0; i < 4; i++)
        v[i] = root(h, frame_of(h->sweep, k - 1 + i), place);
    const double t = x - k, b = (v[2] - v[0]) / 2, c = v[0] - 2.5 * v[1] + 2 * v[2] - v[3] / 2,
                 d = (v[3] - v[0]) / 2 + 1.5 * (v[1] - v[2]);
    *slope = b + t * (2 * c + 3 * d * t);
    return v[1] + t * (b + t * (c + t * d));
}

/* 1 for the same; light, which scales all, changes nothing. */
static double like(const struct held *h, int32_t frame)
{
    double ab = 0, aa = 0, bb = 0;
    for (int32_t i = 0; i < h->sweep->places; i++) {
        const double a = root(h, h->picture, i), b = root(h, frame_of(h->sweep, frame), i);
        ab += a * b;
        aa += a * a;
        bb += b * b;
    }
    return aa > 0 && bb > 0 ? ab / sqrt(aa * bb) : 0;
}

/* Moves x until places from .. to - 1 fit best, their light scaled; false where that leaves the sweep.
 * `weight`: how sharply they fit. */
static bool settle(const struct held *h, int32_t from, int32_t to, double *x, double *weight)
{
    for (int turn = 0; turn < TURNS; turn++) {
        double bb = 0, bd = 0, dd = 0, ab = 0, ad = 0;
        for (int32_t i = from; i < to; i++) {
            double d;
            const double a = root(h, h->picture, i), b = between(h, i, *x, &d);
            bb += b * b, bd += b * d, dd += d * d, ab += a * b, ad += a * d;
        }
        const double scale = ab * dd - ad * bd, way = (ad * bb - ab * bd) / scale;
        if (!(scale > 0)) return false;
        *weight = dd - bd * bd / bb;
        *x += way > 1 ? 1 : way < -1 ? -1 : way;
        if (*x < 1 || *x > h->sweep->frames - 2) return false;
        if (fabs(way) < CLOSE) return true;
    }
    return false;
}

/* Where all is out of focus, one picture is like another. */
static bool shows_focus(const struct held *h)
{
    int32_t n = 0;
    for (int32_t i = 0; i < h->sweep->places; i++)
        n += h->most[i] > 0 && h->picture[i] > h->most[i] / 2;
    return n >= SWEEP_PLACES_LEAST;
}

/* `shift` is the position. */
static bool within(const struct held *h, struct sweep_seen *out)
{
    const struct sweep *s = h->sweep;
    const int32_t rows = s->places / s->cols;
    double most = 0, x = 0, all, square = 0, weights = 0;
    if (!shows_focus(h)) return false;
    for (int32_t k = 0; k < s->frames; k++) {
        const double how = like(h, k);
        if (how > most) most = how, x = k;
    }
    if (most < LIKE || !settle(h, 0, s->places, &x, &all)) return false;
    for (int32_t k = 0; k < PARTS; k++) {
        double part = x, weight;
        if (!settle(h, rows * k / PARTS * s->cols, rows * (k + 1) / PARTS * s->cols, &part, &weight))
            continue;
        square += weight * weight * (part - x) * (part - x);
        weights += weight;
    }
    if (weights < all / 2) return false;
    out->shift = s->first + x * s->step;
    out->uncertainty = sqrt(square * PARTS / (PARTS - 1)) / weights * fabs(s->step);
    return true;
}

/* ---- beyond it */

struct plane {
    double at, a_col, a_row, col, row; /* at + a_col (c - col) + a_row (r - row) */
};

struct spot {
    double at, col, row, off;
};

static void fit(const struct spot *p, int32_t n, double most, struct plane *f)
{
    double k = 0, cc = 0, cr = 0, rr = 0, ca = 0, ra = 0;
    *f = (struct plane){0};
    for (int32_t i = 0; i < n; i++) {
        if (fabs(p[i].off) > most) continue;
        k++, f->at += p[i].at, f->col += p[i].col, f->row += p[i].row;
    }
    f->at /= k, f->col /= k, f->row /= k;
    for (int32_t i = 0; i < n; i++) {
        if (fabs(p[i].off) > most) continue;
        const double c = p[i].col - f->col, r = p[i].row - f->row, a = p[i].at - f->at;
        cc += c * c, cr += c * r, rr += r * r, ca += c * a, ra += r * a;
    }
    const double d = cc * rr - cr * cr;
    if (!(d > 0)) return;
    f->a_col = (ca * rr - ra * cr) / d;
    f->a_row = (ra * cc - ca * cr) / d;
}

static struct spot spot_of(const struct sweep *s, int32_t place, double at)
{
    const int32_t row = place / s->cols;
    return (struct spot){.at = at, .col = place - row * s->cols, .row = row};
}

static double plane_at(const struct plane *f, double col, double row)
{
    return f->at + f->a_col * (col - f->col) + f->a_row * (row - f->row);
}

/* Those with the clearest tops: what never comes near its focus has one, too, by noise. */
static int32_t clear_tops(const struct sweep *s, struct spot *spots, double *room, double *width)
{
    struct sweep_top t;
    int32_t all = 0, n = 0;
    for (int32_t i = 0; i < s->places; i++)
        if (sweep_top(s, i, &t)) room[all++] = t.most;
    if (CLEAR * all < SWEEP_PLACES_LEAST) return 0;
    const double least = select_kth(room, all, (int32_t)((1 - CLEAR) * all));
    for (int32_t i = 0; i < s->places; i++)
        if (sweep_top(s, i, &t) && t.most >= least) {
            room[n] = t.width;
            spots[n++] = spot_of(s, i, t.at);
        }
    *width = sweep_middle(room, n);
    return n;
}

/* False when they lie in no plane. */
static bool find_plane(const struct sweep *s, struct spot *spots, double *room, struct plane *f,
                       double *width)
{
    double spread = INFINITY;
    const int32_t n = clear_tops(s, spots, room, width);
    if (!n) return false;
    for (int round = 0; round < ROUNDS; round++) {
        fit(spots, n, FAR_OFF * spread, f);
        for (int32_t i = 0; i < n; i++) {
            spots[i].off = spots[i].at - plane_at(f, spots[i].col, spots[i].row);
            room[i] = fabs(spots[i].off);
        }
        spread = fmax(1.4826 * sweep_middle(room, n), 1e-9 * fabs(s->step));
    }
    return spread < PLANE_WIDTH * *width;
}

/* Mean energy of what the plane says is in focus there; false where too little of the picture would be. */
static bool band(const struct sweep *s, const float *energy, const struct plane *f, double width, double at,
                 double *out)
{
    double sum = 0, weight = 0;
    for (int32_t i = 0; i < s->places; i++) {
        const struct spot p = spot_of(s, i, at);
        const double u = (plane_at(f, p.col, p.row) - at) / width * 2.3548;
        const double w = exp(-u * u / 2);
        sum += w * (double)energy[i];
        weight += w;
    }
    *out = sum / weight;
    return weight > SWEEP_PLACES_LEAST / 2.0;
}

static bool beyond(const struct held *h, struct sweep_seen *out)
{
    const struct sweep *s = h->sweep;
    double *room = h->room;
    struct plane f;
    double width, most = 0, e, lo = INFINITY, hi = -INFINITY;
    int32_t n = 0;
    if (!find_plane(s, h->spots, room, &f, &width)) return false;
    const int32_t rows = s->places / s->cols - 1;
    for (int corner = 0; corner < 4; corner++) {
        const double at = plane_at(&f, corner & 1 ? s->cols - 1 : 0, corner & 2 ? rows : 0);
        lo = fmin(lo, at);
        hi = fmax(hi, at);
    }
    const int32_t steps = (int32_t)fmin(4 * (hi - lo) / width, s->places - 1);
    for (int32_t i = 0; i < steps; i++) {
        const double at = lo + (hi - lo) * i / steps;
        if (!band(s, h->picture, &f, width, at, &e)) continue;
        room[n++] = e;
        if (e > most) most = e, out->shift = at;
    }
    out->uncertainty = width / 2;
    out->beyond = true;
    /* at the very edge it may lie beyond */
    return n > 4 && most > RISE * sweep_middle(room, n) && out->shift > lo + width && out->shift < hi - width;
}

/* ---- */

static void clear(struct held *h)
{
    mem_free(h->least);
    mem_free(h->most);
    mem_free(h->spots);
    mem_free(h->room);
}

static int prepare(struct held *h, const struct sweep *s, const struct sweep *of, struct err *why)
{
    const size_t n = (size_t)s->places;
    *h = (struct held){.sweep = s};
    if (of->places != s->places)
        return fail(why, E_INPUT,
                    "the pictures are not all of one size; leave the camera's settings alone meanwhile");
    h->least = mem_new(n, sizeof *h->least, why);
    if (h->least) h->most = mem_new(n, sizeof *h->most, why);
    if (h->most) h->spots = mem_new(n, sizeof *h->spots, why);
    if (h->spots) h->room = mem_new(n, sizeof *h->room, why);
    if (!h->room) {
        clear(h);
        return E_NOMEM;
    }
    memcpy(h->least, s->energy, n * sizeof *h->least);
    memcpy(h->most, s->energy, n * sizeof *h->most);
    for (int32_t k = 1; k < s->frames; k++)
        for (size_t i = 0; i < n; i++) {
            h->least[i] = fminf(h->least[i], frame_of(s, k)[i]);
            h->most[i] = fmaxf(h->most[i], frame_of(s, k)[i]);
        }
    for (size_t i = 0; i < n; i++)
        h->room[i] = (double)h->most[i];
    const double enough = WEAK * select_kth(h->room, s->places, (int32_t)(BRIGHT * s->places));
    for (size_t i = 0; i < n; i++)
        if ((double)h->most[i] < fmax(RISE * (double)h->least[i], enough)) h->most[i] = 0;
    return E_OK;
}

int sweep_place(const struct sweep *s, const struct sweep *picture, int32_t k, struct sweep_seen *out,
                struct err *why)
{
    struct held h;
    struct sweep_seen seen = {0};
    int rc = prepare(&h, s, picture, why);
    if (rc) return rc;
    h.picture = frame_of(picture, k);
    const bool found = within(&h, &seen) || beyond(&h, &seen);
    clear(&h);
    if (!found) return fail(why, E_INPUT, "what was in focus before is nowhere in focus in this picture");
    seen.shift = picture->first + k * picture->step - seen.shift;
    *out = seen;
    return E_OK;
}

/* How the frames of `a` share what a picture held against them is missed by: one frame, or shares of two. */
static double shares_at(const struct sweep *a, double position)
{
    const double x = (position - a->first) / a->step, share = x - floor(x);
    return share * share + (1 - share) * (1 - share);
}

int sweep_again(const struct sweep *a, const struct sweep *b, struct sweep_again *out, struct err *why)
{
    struct held h;
    struct sweep_seen seen;
    double mean = 0, square = 0, missed = 0, said = 0;
    int32_t n = 0;
    int rc = prepare(&h, a, b, why);
    if (rc) return rc;
    for (int32_t k = 0; k < b->frames; k++) {
        h.picture = frame_of(b, k);
        if (!within(&h, &seen)) continue;
        const double shift = b->first + k * b->step - seen.shift, off = shift - mean;
        mean += off / ++n; /* Welford's sums, from memory */
        square += off * (shift - mean);
        missed += 1 + shares_at(a, seen.shift);
        said += seen.uncertainty * seen.uncertainty;
    }
    clear(&h);
    *out = (struct sweep_again){
        .pictures = n, .shift = NAN, .uncertainty = NAN, .repeat = NAN, .repeat_uncertainty = NAN};
    if (n < SWEEP_PICTURES_LEAST) return E_OK;
    out->shift = mean;
    out->uncertainty = sqrt(fmax(square / (n - 1), said / n) / fmax(1, n / ALIKE));
    out->repeat = sqrt(square / (n - 1) * n / missed);
    out->repeat_uncertainty = out->repeat / sqrt(2.0 * (n - 1));
    return E_OK;
}
