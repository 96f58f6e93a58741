#include "check/ends.h"

#include <math.h>

#define FIT_STEP 0.1
#define FIT_MODEL                                                                                            \
    0.15 /* the common shape holds to about this much of a tile's value: measured on open depth data */
#define FIT_FRAMES 16 /* around the place that is asked about; further ones say nothing of it */

/* Least squares of  e = a g + b,  a > 0, b >= 0, values weighted by their own error. */
struct sums {
    double w, g, e, gg, ge, ee;
};

static double misfit_of(const struct sums *s)
{
    const double det = s->w * s->gg - s->g * s->g;
    double a = det > 1e-12 * s->w * s->gg ? (s->w * s->ge - s->g * s->e) / det : 0, b = 0;
    if (det > 1e-12 * s->w * s->gg) b = (s->e - a * s->g) / s->w;
    if (b < 0) {
        b = 0;
        a = s->gg > 0 ? s->ge / s->gg : 0;
    }
    if (a < 0) {
        a = 0;
        b = s->w > 0 ? s->e / s->w : 0;
    }
    return s->ee - 2 * a * s->ge - 2 * b * s->e + a * a * s->gg + 2 * a * b * s->g + b * b * s->w;
}

static double misfit_at(const struct tiles *t, const struct focus_shape *shape, int32_t tile, const double *z,
                        int32_t first, int32_t last, double at, unsigned scales)
{
    double sum = 0;
    for (int k = 0; k < MEASURE_SCALES; k++) {
        if (!(scales & 1U << k)) continue;
        const double jitter = (double)t->jitter[k][tile];
        struct sums s = {0};
        for (int32_t i = first; i <= last; i++) {
            const double e = tiles_signal(t, k, tile, i);
            if (isnan(e)) continue;
            const double error = jitter * jitter + FIT_MODEL * FIT_MODEL * e * e, w = 1 / error;
            const double g = exp(shape_log(shape, k, z[i] - at));
            s.w += w;
            s.g += w * g;
            s.e += w * e;
            s.gg += w * g * g;
            s.ge += w * g * e;
            s.ee += w * e * e;
        }
        sum += misfit_of(&s);
    }
    return sum;
}

/* Scales at which the tile changes by more than its jitter over these frames. */
static unsigned telling_scales(const struct tiles *t, int32_t tile, int32_t first, int32_t last)
{
    unsigned scales = 0;
    for (int k = 0; k < MEASURE_SCALES; k++) {
        double least = INFINITY, most = 0;
        for (int32_t i = first; i <= last; i++) {
            const double e = tiles_signal(t, k, tile, i);
            if (isnan(e)) continue;
            least = fmin(least, e);
            most = fmax(most, e);
        }
        if (most - least > 6 * (double)t->jitter[k][tile]) scales |= 1U << k;
    }
    return scales;
}

double ends_fit(const struct tiles *t, const struct focus_shape *shape, int32_t tile, const double *z,
                int32_t first, int32_t last, double from_z, double to_z)
{
    while (first < last && z[first] < from_z - FIT_FRAMES)
        first++;
    while (last > first && z[last] > to_z + FIT_FRAMES)
        last--;
    const unsigned scales = telling_scales(t, tile, first, last);
    double best = INFINITY, best_at = NAN;
    if (scales)
        for (double at = from_z; at <= to_z + FIT_STEP / 2; at += FIT_STEP) {
            const double misfit = misfit_at(t, shape, tile, z, first, last, at, scales);
            if (misfit < best) {
                best = misfit;
                best_at = at;
            }
        }
    return best_at;
}
