#include "image/sweeps.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

#include "base/mem.h"
#include "image/peaks.h"

#define RISE   2.0 /* a curve's top over its lowest value, in energy; below it tells nothing */
#define MIDDLE 1.4826
#define ALIKE  4.0 /* neighbouring cells share marks: so many count as one (guess) */

int sweep_new(struct sweep *s, int32_t frames, int32_t places, double first, double step, struct err *why)
{
    *s = (struct sweep){.frames = frames, .places = places, .first = first, .step = step};
    s->energy = mem_new((size_t)frames * (size_t)places, sizeof *s->energy, why);
    return s->energy ? E_OK : E_NOMEM;
}

void sweep_clear(struct sweep *s)
{
    mem_free(s->energy);
    *s = (struct sweep){0};
}

int sweep_put(struct sweep *s, int32_t frame, const struct frame_measure *m, struct err *why)
{
    if (m->rows * m->cols != s->places)
        return fail(why, E_INPUT,
                    "the pictures are not all of one size; leave the camera's settings alone meanwhile");
    s->cols = m->cols;
    for (int32_t i = 0; i < s->places; i++) {
        const struct measure_cell *c = &m->cells[i];
        const double n = c->count[1] ? c->count[1] : 1, mean = (double)c->laplacian_sum[1] / n;
        s->energy[(size_t)frame * (size_t)s->places + (size_t)i] =
            (float)fmax((double)c->laplacian_square[1] / n - mean * mean, 0);
    }
    return E_OK;
}

/* ---- the top of one place */

static double energy(const struct sweep *s, int32_t frame, int32_t place)
{
    return (double)s->energy[(size_t)frame * (size_t)s->places + (size_t)place];
}

/* One top, inside, clear of its surroundings; two of nearly the same height are two things. */
bool sweep_top(const struct sweep *s, int32_t place, struct sweep_top *out)
{
    double most = 0, least = INFINITY, offset, sigma;
    int32_t at = 0;
    for (int32_t i = 0; i < s->frames; i++) {
        const double e = energy(s, i, place);
        least = fmin(least, e);
        if (e > most) most = e, at = i;
    }
    if (at < 1 || at > s->frames - 2 || !(most > RISE * least) || most <= 0) return false;
    for (int32_t i = 0; i < s->frames; i++)
        if (abs(i - at) > 2 && energy(s, i, place) > 0.8 * most) return false;
    /* what stays far out of focus is noise, and would pull the top to the middle sample */
    if (!peak_gaussian(energy(s, at - 1, place) - 0.98 * least, most - 0.98 * least,
                       energy(s, at + 1, place) - 0.98 * least, &offset, &sigma))
        return false;
    *out = (struct sweep_top){s->first + (at + offset) * s->step,
                              sigma * fabs(s->step) * 2 * sqrt(2 * log(2)), most};
    return true;
}

/* ---- over all places */

static int by_value(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

double sweep_middle(double *v, int32_t n)
{
    qsort(v, (size_t)n, sizeof *v, by_value);
    return n % 2 ? v[n / 2] : (v[n / 2 - 1] + v[n / 2]) / 2;
}

static double spread(double *v, int32_t n, double centre)
{
    for (int32_t i = 0; i < n; i++)
        v[i] = fabs(v[i] - centre);
    return MIDDLE * sweep_middle(v, n);
}

static void compare(const struct sweep *a, const struct sweep *b, double *shift, double *width, double *room,
                    struct sweep_shift *out)
{
    int32_t n = 0;
    for (int32_t place = 0; place < a->places; place++) {
        struct sweep_top ta, tb;
        if (!sweep_top(a, place, &ta) || !sweep_top(b, place, &tb)) continue;
        shift[n] = tb.at - ta.at;
        width[n++] = ta.width;
    }
    *out = (struct sweep_shift){.places = n};
    if (n < SWEEP_PLACES_LEAST) return;
    for (int32_t i = 0; i < n; i++)
        room[i] = shift[i];
    out->shift = sweep_middle(room, n);
    for (int32_t i = 0; i < n; i++)
        room[i] = shift[i];
    out->uncertainty = 1.2533 * spread(room, n, out->shift) / sqrt(fmax(1, n / ALIKE)); /* of a median */
    out->width = sweep_middle(width, n);
}

int sweep_compare(const struct sweep *a, const struct sweep *b, struct sweep_shift *out, struct err *why)
{
    const size_t n = (size_t)a->places;
    double *room = mem_new(3 * n, sizeof *room, why);
    struct sweep_shift s = {0};
    if (!room) return E_NOMEM;
    compare(a, b, room, room + n, room + 2 * n, &s);
    mem_free(room);
    if (s.places < SWEEP_PLACES_LEAST)
        return fail(why, E_INPUT,
                    "only %d places come into focus on the way; put something deep there with fine detail "
                    "all over, best a "
                    "ruler lying aslant, and go to where its middle is sharp",
                    (int)s.places);
    *out = s;
    return E_OK;
}
