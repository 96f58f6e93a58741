/* smear.c - sums over frequencies in rings, each so much wider than the one before it, half a turn around. */
#include "check/smear.h"

#include <math.h>
#include <stdbool.h>

#include "base/mem.h"

#define RINGS    44
#define WAYS     24
#define WAVES    (RINGS * WAYS)
#define NU_LEAST 0.004 /* cycles a pixel: below, the coarsest Laplacian sees nothing */
#define NU_MOST  0.7   /* the corner of the pixel's square */
#define SLOPES   14
#define SIGMAS   14
#define SLOPE_BY 0.4
#define SIGMA_BY 0.15 /* px */

static double square(double v)
{
    return v * v;
}

/* Contrast that averaging n pixels leaves. */
static double averaged(double nu, int n)
{
    const double below = n * sin(M_PI * nu);
    return fabs(below) < 1e-12 ? 1 : sin(M_PI * nu * n) / below;
}

/* What the cells make of a wave, energies. */
struct seen {
    double laplacian[MEASURE_SCALES], xx, yy;
};

struct wave {
    struct seen seen; /* times the area that it stands for */
    double nu2, ln_nu, x;
};

struct smear_texture {
    double slope, sigma_px;
    struct wave waves[WAVES];
};

static struct seen see(double x, double y, double area)
{
    struct seen s;
    for (int k = 0; k < MEASURE_SCALES; k++) {
        const int n = 1 << k;
        const double left = square(averaged(x, n) * averaged(y, n));
        s.laplacian[k] = area * left * square(2 * cos(2 * M_PI * n * x) + 2 * cos(2 * M_PI * n * y) - 4);
    }
    const double half = area * square(averaged(x, 2) * averaged(y, 2));
    s.xx = half * square(2 * sin(4 * M_PI * x));
    s.yy = half * square(2 * sin(4 * M_PI * y));
    return s;
}

static void fill_waves(struct smear_texture *t)
{
    const double wider = log(NU_MOST / NU_LEAST) / RINGS;
    for (int i = 0; i < WAVES; i++) {
        const int ring = i / WAYS;
        const double nu = NU_LEAST * exp(wider * (ring + 0.5)), way = M_PI * (i % WAYS + 0.5) / WAYS;
        const double x = nu * cos(way), y = nu * sin(way);
        const bool inside = fabs(x) < 0.5 && fabs(y) < 0.5;
        t->waves[i] = (struct wave){see(x, y, inside ? nu * nu : 0), nu * nu, log(nu), x};
    }
}

/* The whole texture, smeared along x. */
static struct seen see_all(const struct smear_texture *t, double length_px)
{
    struct seen sum = {{0}, 0, 0};
    for (int i = 0; i < WAVES; i++) {
        const struct wave *w = &t->waves[i];
        const double a = M_PI * length_px * w->x, left = fabs(a) > 1e-9 ? square(sin(a) / a) : 1;
        const double power = left * exp(-t->slope * w->ln_nu - square(2 * M_PI * t->sigma_px) * w->nu2);
        for (int k = 0; k < MEASURE_SCALES; k++)
            sum.laplacian[k] += power * w->seen.laplacian[k];
        sum.xx += power * w->seen.xx;
        sum.yy += power * w->seen.yy;
    }
    return sum;
}

static double misfit(const struct smear_texture *t, const double ln_ratio[MEASURE_SCALES - 1])
{
    const struct seen s = see_all(t, 0);
    double off = 0;
    for (int k = 0; k + 1 < MEASURE_SCALES; k++)
        off += square(log(s.laplacian[k] / s.laplacian[k + 1]) - ln_ratio[k]);
    return off;
}

int smear_fit(const double ln_ratio[MEASURE_SCALES - 1], struct smear_texture **out, struct err *why)
{
    struct smear_texture *t = mem_new(1, sizeof *t, why);
    if (!t) return E_NOMEM;
    double least = INFINITY, slope = 0, sigma = 0;
    fill_waves(t);
    for (int i = 0; i < SLOPES * SIGMAS; i++) {
        const int step = i / SIGMAS;
        t->slope = SLOPE_BY * step;
        t->sigma_px = SIGMA_BY * (i % SIGMAS);
        const double off = misfit(t, ln_ratio);
        if (off >= least) continue;
        least = off;
        slope = t->slope;
        sigma = t->sigma_px;
    }
    t->slope = slope;
    t->sigma_px = sigma;
    *out = t;
    return E_OK;
}

/* As the change of a tile's directions is taken apart (frames_direction_change), along less across. */
static double direction_of(const struct seen *before, const struct seen *after)
{
    double c = 0;
    for (int d = 0; d < MEASURE_DIRECTIONS; d++) {
        const double angle = M_PI * d / MEASURE_DIRECTIONS, x = square(cos(angle)), y = square(sin(angle));
        c -= log((x * after->xx + y * after->yy) / (x * before->xx + y * before->yy)) * cos(2 * angle);
    }
    return 2 * c / MEASURE_DIRECTIONS;
}

struct smear_loss smear_of(const struct smear_texture *t, double length_px)
{
    const struct seen before = see_all(t, 0), after = see_all(t, length_px);
    struct smear_loss out = {.direction = direction_of(&before, &after)};
    for (int k = 0; k < MEASURE_SCALES; k++)
        out.ln_energy[k] = log(after.laplacian[k] / before.laplacian[k]);
    return out;
}
