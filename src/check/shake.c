#include "check/shake.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "check/robust.h"

#define AROUND 2   /* frames each side that predict */
#define NEAR   3.2 /* ln of energy below its best: as soft as a tile may be in the frames beside */
#define SIGNAL 8.0 /* jitters it must have there, half as many in the two further out */
#define STEP_OFF                                                                                             \
    0.5 /* spacings off the usual one: the five frames are no even row then, but a hole, or one twice */
#define LIGHT_STEP 0.35 /* ln of light: further apart, energies are not compared to a tenth */

#define GLIMPSES_ENOUGH 150000 /* a stack of more looks at fewer of its tiles */

/* One tile in one frame and the four around it, all in ln of energy. */
struct glimpse {
    int32_t frame;
    float gain;  /* over the mean of the frames beside */
    float slope; /* of the frames beside, a frame */
    float bend;  /* of the frames further out against those beside: a parabola's second difference */
};

struct glimpses {
    struct glimpse *row; /* room for one a frame of every tile that is looked at */
    int32_t count, step; /* step: every so many tiles */
};

/* ---- looking ---- */

/* Of a tile the best frame and the best but that one. */
struct best {
    int32_t frame;
    double most, next;
};

static struct best find_best(const struct tiles *t, int scale, int32_t tile)
{
    struct best b = {.frame = -1};
    for (int32_t i = 0; i < t->frames; i++) {
        const double e = tiles_signal(t, scale, tile, i);
        if (isnan(e) || e <= b.next) continue;
        if (e <= b.most) {
            b.next = e;
            continue;
        }
        b.next = b.most;
        b.most = e;
        b.frame = i;
    }
    return b;
}

static bool look(const struct tiles *t, int scale, int32_t tile, int32_t i, double least, struct glimpse *out)
{
    const double jitter = (double)t->jitter[scale][tile];
    double v[2 * AROUND + 1];
    for (int32_t k = -AROUND; k <= AROUND; k++) {
        const double e = tiles_signal(t, scale, tile, i + k),
                     signals = k == 1 || k == -1 ? SIGNAL : SIGNAL / 2;
        if (isnan(e) || (k && e < signals * jitter) || ((k == 1 || k == -1) && e < least)) return false;
        v[k + AROUND] = e;
    }
    for (int32_t k = 0; k <= 2 * AROUND; k++)
        v[k] = log(v[k]);
    *out = (struct glimpse){.frame = i,
                            .gain = (float)(v[2] - (v[1] + v[3]) / 2),
                            .slope = (float)((v[3] - v[1]) / 2),
                            .bend = (float)((v[0] + v[4] - v[1] - v[3]) / 3)};
    return true;
}

/* Are the five frames around i an even row in even light? */
static bool even_row(const struct tiles *t, const double *z, int32_t i)
{
    if (i < AROUND || i + AROUND >= t->frames) return false;
    for (int32_t k = i - AROUND; k < i + AROUND; k++)
        if (fabs(z[k + 1] - z[k] - 1) > STEP_OFF || fabs(t->light[k + 1] - t->light[k]) > LIGHT_STEP)
            return false;
    return true;
}

static void gather(const struct tiles *t, const struct tile_curve *curves, const double *z, int scale,
                   struct glimpses *g)
{
    g->count = 0;
    for (int32_t tile = 0; tile < t->count; tile += g->step) {
        if (!t->inside[tile] || curves[tile].scale < 0 || curves[tile].scale > 1) continue;
        const struct best b = find_best(t, scale, tile);
        for (int32_t i = AROUND; i + AROUND < t->frames; i++) {
            const double least = (i == b.frame ? b.next : b.most) * exp(-NEAR);
            if (even_row(t, z, i) && look(t, scale, tile, i, least, &g->row[g->count])) g->count++;
        }
    }
}

/* ---- learning ---- */

#define TERMS 6

/* What is expected of a tile's middle: a polynomial in bend and slope, which is symmetric in the slope. */
struct rule {
    double of[TERMS];
};

/* A cubic through the four. */
static const struct rule cubic = {{0, -0.5}};

static void terms_of(const struct glimpse *g, double out[TERMS])
{
    const double bend = (double)g->bend, steep = (double)g->slope * (double)g->slope;
    const double all[TERMS] = {1, bend, steep, bend * bend, bend * steep, steep * steep};
    memcpy(out, all, sizeof all);
}

static double excess(const struct rule *r, const struct glimpse *g)
{
    double terms[TERMS], expected = 0;
    terms_of(g, terms);
    for (int k = 0; k < TERMS; k++)
        expected += r->of[k] * terms[k];
    return (double)g->gain - expected;
}

/* Gauss and Jordan, on a matrix that is positive definite. */
static struct rule solve(double m[TERMS][TERMS + 1])
{
    struct rule out;
    for (int p = 0; p < TERMS; p++)
        for (int r = 0; r < TERMS; r++) {
            const double share = r == p ? 0 : m[r][p] / m[p][p];
            for (int c = p; c <= TERMS && share != 0; c++)
                m[r][c] -= share * m[p][c];
        }
    for (int k = 0; k < TERMS; k++)
        out.of[k] = m[k][TERMS] / m[k][k];
    return out;
}

#define DAMPING 0.5 /* of so many glimpses is what holds the rule to the cubic where few tell */

static struct rule fit_once(const struct glimpses *g, const struct rule *before, double within)
{
    double m[TERMS][TERMS + 1] = {{0}};
    for (int k = 0; k < TERMS; k++) {
        m[k][k] = DAMPING;
        m[k][TERMS] = DAMPING * cubic.of[k];
    }
    for (int32_t i = 0; i < g->count; i++) {
        double terms[TERMS];
        if (!(fabs(excess(before, &g->row[i])) < within)) continue;
        terms_of(&g->row[i], terms);
        for (int a = 0; a < TERMS; a++) {
            for (int b = 0; b < TERMS; b++)
                m[a][b] += terms[a] * terms[b];
            m[a][TERMS] += terms[a] * (double)g->row[i].gain;
        }
    }
    return solve(m);
}

/* Least squares on what is not far off. */
static struct rule learn(const struct glimpses *g)
{
    struct rule r = fit_once(g, &cubic, 1);
    for (int turn = 0; turn < 2; turn++)
        r = fit_once(g, &r, 0.5);
    return r;
}

/* ---- judging ---- */

#define SIDE_LEAST   4  /* tiles nearer than the frame's focus, and deeper */
#define OTHERS_LEAST 10 /* frames, to say what scatter is usual */
#define SIGMAS                                                                                               \
    4.0 /* of the frames' scatter; of a hundred clean stacks hardly one comes to 3 with all that follows */
#define SIGMAS_FEW 4.0 /* frames, that make it so much again: the scatter of few is not well known */
#define ERRORS     4.0 /* of the frame's own, from how its tiles scatter */
/* A loss makes the frames beside look better by two thirds of it, those further out worse by a sixth (the
 * cubic's weights). Where a wall comes into focus between two frames, those after it look better, too. */
#define BESIDE_SHARE  0.25
#define FURTHER_SHARE 0.3
#define LESSER_SHARE  0.5 /* of the loss of a frame further out: less is what that one makes of this */
#define SIDE_SHARE    0.4 /* of a loss, that either side shows at least */
#define FINER_SHARE   0.5 /* of a loss of coarse detail, that finer detail has lost at least */
#define FINEST        1   /* scale: at full size noise takes most */
/* ln of energy that a loss must take. At half size an eighth of the contrast; the coarser tell of longer
 * shakes, of which half size has lost about twice as much as it must when they lose so much. */
static const double loss_least[MEASURE_SCALES] = {INFINITY, 0.25, 0.1, 0.05};

struct told {
    double less, error; /* NAN: too few tell */
    double side[2];     /* what tiles on either side have less, as `less` against the usual frame */
};

/* Middle of some values and its error, sigma (of a Gaussian's median). */
static double middle(double *v, int32_t n, double *error)
{
    const double m = robust_median(v, n);
    *error = sqrt(M_PI / 2) * robust_sigma(v, n) / sqrt(n);
    return m;
}

/* `g`: those of one frame. */
static struct told tell(const struct rule *r, const struct glimpse *g, int32_t count, double *room)
{
    struct told out = {NAN, NAN, {NAN, NAN}};
    double error[2];
    for (int side = 0; side < 2; side++) {
        int32_t n = 0;
        for (int32_t i = 0; i < count; i++)
            if ((g[i].slope > 0) == (side == 1)) room[n++] = -excess(r, &g[i]);
        if (n < SIDE_LEAST) return (struct told){NAN, NAN, {NAN, NAN}};
        out.side[side] = middle(room, n, &error[side]);
    }
    out.less = (out.side[0] + out.side[1]) / 2;
    out.error = hypot(error[0], error[1]) / 2;
    return out;
}

/* Of all frames but i and those whose glimpses it is in. */
static double scatter_of_others(const struct told *told, int32_t frames, int32_t i, double *room,
                                int32_t *count)
{
    int32_t n = 0;
    for (int32_t j = 0; j < frames; j++)
        if ((j < i - AROUND || j > i + AROUND) && !isnan(told[j].less)) room[n++] = told[j].less;
    *count = n;
    return robust_sigma(room, n);
}

/* Against the usual frame, by which all losses are set. Returns their scatter. */
static double tell_all(const struct glimpses *g, const struct rule *r, int32_t frames, struct told *out,
                       double *room)
{
    int32_t at = 0, n = 0;
    for (int32_t i = 0; i < frames; i++) {
        const int32_t from = at;
        while (at < g->count && g->row[at].frame == i)
            at++;
        out[i] = tell(r, g->row + from, at - from, room);
    }
    for (int32_t i = 0; i < frames; i++)
        if (!isnan(out[i].less)) room[n++] = out[i].less;
    const double usual = n ? robust_median(room, n) : 0;
    for (int32_t i = 0; i < frames; i++) {
        out[i].less -= usual;
        for (int side = 0; side < 2; side++)
            out[i].side[side] -= usual;
    }
    return n >= OTHERS_LEAST ? robust_sigma(room, n) : INFINITY;
}

static bool fits_beside(const struct told *told, int32_t frames, int32_t i)
{
    const double less = told[i].less;
    for (int32_t j = i - 1; j <= i + 1; j += 2)
        if (j < 0 || j >= frames || !(-told[j].less > BESIDE_SHARE * less)) return false;
    for (int32_t j = i - 2; j <= i + 2; j += 4) {
        if (j < 0 || j >= frames || isnan(told[j].less)) continue;
        if (-told[j].less > FURTHER_SHARE * less || less < LESSER_SHARE * told[j].less) return false;
    }
    return true;
}

/* A smear takes something at every scale: of a loss here, neither side may have gained at another one, and
 * finer detail has lost as well. */
static bool fits_scale(const struct told *here, const struct told *other, bool finer)
{
    if (isnan(other->less)) return true;
    return other->side[0] > 0 && other->side[1] > 0 && (!finer || other->less > FINER_SHARE * here->less);
}

static bool fits_scales(const struct told *told, int32_t frames, int scale, int32_t i)
{
    const struct told *here = &told[scale * frames + i];
    return (scale == FINEST || fits_scale(here, here - frames, true)) &&
           (scale + 1 == MEASURE_SCALES || fits_scale(here, here + frames, false));
}

/* `told`: [scale * frames + frame] */
static bool is_shaken(const struct told *told, int32_t frames, int scale, int32_t i, double *room)
{
    const struct told *all = told + (size_t)scale * (size_t)frames, *a = &all[i];
    int32_t others;
    if (!(a->less > loss_least[scale]) || a->less < ERRORS * a->error) return false;
    if (a->side[0] < SIDE_SHARE * a->less || a->side[1] < SIDE_SHARE * a->less) return false;
    if (!fits_beside(all, frames, i) || !fits_scales(told, frames, scale, i)) return false;
    const double scatter = scatter_of_others(all, frames, i, room, &others);
    return others >= OTHERS_LEAST && a->less > SIGMAS * (1 + SIGMAS_FEW / others) * scatter;
}

static int by_frame(const void *a, const void *b)
{
    const struct glimpse *p = a, *q = b;
    return (p->frame > q->frame) - (p->frame < q->frame);
}

/* By the cubic or by what was learnt, whichever scatters less. */
static int tell_scale(const struct tiles *t, struct glimpses *g, struct told *out, struct err *why)
{
    const size_t most = (size_t)(g->count > t->frames ? g->count : t->frames);
    double *room = mem_new(most, sizeof *room, why);
    if (!room) return E_NOMEM;
    if (g->count) qsort(g->row, (size_t)g->count, sizeof *g->row, by_frame);
    const struct rule learnt = learn(g);
    const double by_cubic = tell_all(g, &cubic, t->frames, out, room),
                 by_learnt = tell_all(g, &learnt, t->frames, out, room);
    if (by_cubic < by_learnt) tell_all(g, &cubic, t->frames, out, room);
    mem_free(room);
    return E_OK;
}

int shake_find(const struct tiles *t, const struct tile_curve *curves, const double *z, bool *shaken,
               struct err *why)
{
    const size_t n = (size_t)t->frames;
    struct glimpses g = {.step = 1 + (int32_t)((int64_t)t->count * t->frames / GLIMPSES_ENOUGH)};
    struct told *told = mem_new(MEASURE_SCALES * n, sizeof *told, why);
    double *room = told ? mem_new(n, sizeof *room, why) : NULL;
    g.row = room ? mem_new(((size_t)(t->count / g.step) + 1) * n, sizeof *g.row, why) : NULL;
    int rc = g.row ? E_OK : E_NOMEM;
    for (int k = FINEST; k < MEASURE_SCALES && !rc; k++) {
        gather(t, curves, z, k, &g);
        rc = tell_scale(t, &g, told + (size_t)k * n, why);
    }
    for (int k = FINEST; k < MEASURE_SCALES && !rc; k++)
        for (int32_t i = 0; i < t->frames; i++)
            shaken[i] = shaken[i] || is_shaken(told, t->frames, k, i, room);
    mem_free(g.row);
    mem_free(told);
    mem_free(room);
    return rc;
}
