#include "check/ends.h"

#include <math.h>
#include <stddef.h>

#define FIT_STEP 0.1
#define FIT_MODEL                                                                                            \
    0.35 /* tiles keep to the common shape within this share of a value: half of them, measured on open data \
          */
#define FIT_FRAMES 16 /* around the place that is asked about; further ones say nothing of it */

/* Least squares of  e = a g + b,  a > 0, values weighted by their own error. The floor has been taken off, so
 * the rest b is at most what noise leaves above it; a free one would explain far tails away (tried: it draws
 * what lies half to one spacing beyond an end back inside), none at all takes noise for a far tail (tried,
 * too). */
#define REST_JITTERS                                                                                         \
    0.25 /* chosen on open depth data, between a share told 3 points too low (2) and too high (0) */

struct sums {
    double w, g, e, gg, ge, ee;
};

struct fit {
    double misfit, height, height_error;
};

static struct fit fit_of(const struct sums *s, double rest_most)
{
    if (s->gg <= 0) return (struct fit){.misfit = s->ee};
    const double det = s->w * s->gg - s->g * s->g;
    const double free_rest = det > 1e-12 * s->w * s->gg ? (s->gg * s->e - s->g * s->ge) / det : 0;
    const double b = fmin(fmax(free_rest, 0), rest_most), a = fmax((s->ge - b * s->g) / s->gg, 0);
    return (struct fit){.misfit = s->ee - 2 * a * s->ge - 2 * b * s->e + a * a * s->gg + 2 * a * b * s->g +
                                  b * b * s->w,
                        .height = a,
                        .height_error = 1 / sqrt(s->gg)};
}

static struct fit fit_scale(const struct tiles *t, const struct focus_shape *shape, int32_t tile, int scale,
                            const double *z, int32_t first, int32_t last, double at)
{
    const double jitter = (double)t->jitter[scale][tile];
    struct sums s = {0};
    for (int32_t i = first; i <= last; i++) {
        const double e = (double)t->energy[scale][(size_t)tile * (size_t)t->frames + (size_t)i];
        if (isnan(e)) continue;
        const double v = e - (double)t->floor[scale][tile];
        const double error = jitter * jitter + FIT_MODEL * FIT_MODEL * v * v, w = 1 / error;
        const double g = exp(shape_log(shape, scale, z[i] - at));
        s.w += w;
        s.g += w * g;
        s.e += w * v;
        s.gg += w * g * g;
        s.ge += w * g * v;
        s.ee += w * v * v;
    }
    return fit_of(&s, REST_JITTERS * jitter);
}

/* How unlike a texture of this stack the heights are, finer against coarser. A fine height within its error
 * only has to be possible. */
static double unlikely(const struct focus_shape *shape, const struct fit *fine, const struct fit *coarse,
                       int k)
{
    if (!shape->tiles || coarse->height < 3 * coarse->height_error) return 0;
    const double most = log(fine->height + 2 * fine->height_error) - log(coarse->height);
    const double least =
        log(fmax(fine->height - 2 * fine->height_error, 1e-6 * coarse->height)) - log(coarse->height);
    double off = 0;
    if (most < shape->ratio[k])
        off = shape->ratio[k] - most;
    else if (least > shape->ratio[k])
        off = least - shape->ratio[k];
    off /= shape->ratio_sigma[k];
    return off * off;
}

static double misfit_at(const struct tiles *t, const struct focus_shape *shape, int32_t tile, const double *z,
                        int32_t first, int32_t last, double at, int finest)
{
    struct fit fit[MEASURE_SCALES];
    const int from = finest > 0 ? finest - 1 : 0, to = finest + 1 < MEASURE_SCALES ? finest + 1 : finest;
    double sum = 0;
    for (int k = from; k <= to; k++) {
        fit[k] = fit_scale(t, shape, tile, k, z, first, last, at);
        sum += fit[k].misfit;
    }
    for (int k = from; k < to; k++)
        sum += unlikely(shape, &fit[k], &fit[k + 1], k);
    return sum;
}

double ends_fit(const struct tiles *t, const struct focus_shape *shape, int32_t tile, const double *z,
                int32_t first, int32_t last, double from_z, double to_z, int finest)
{
    while (first < last && z[first] < from_z - FIT_FRAMES)
        first++;
    while (last > first && z[last] > to_z + FIT_FRAMES)
        last--;
    double best = INFINITY, best_at = NAN;
    const int32_t steps = (int32_t)floor((to_z - from_z) / FIT_STEP + 0.5);
    for (int32_t i = 0; i <= steps; i++) {
        const double at = from_z + i * FIT_STEP;
        const double misfit = misfit_at(t, shape, tile, z, first, last, at, finest);
        if (misfit < best) {
            best = misfit;
            best_at = at;
        }
    }
    return best_at;
}
