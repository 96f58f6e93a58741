/* Phases of one tone in windows all over the picture, and the surface through them.
 *
 * A window is a Hann window of about ten periods, a quarter of its side from the next; window and tone both
 * are a product of x and y, so rows are summed first. Where the tone is the marks' own, phases differ little
 * from window to window; the mean difference (Kay, IEEE Trans. ASSP 37:1987, 1989, from memory) brings them
 * within half a turn around the middle of the ruler, and from there the surface is grown outwards. */
#include <complex.h>
#include <math.h>
#include <stdbool.h>

#include "base/mem.h"
#include "image/ruler_part.h"

#define WINDOW_PERIODS 10.0
#define WINDOW_LEAST                                                                                         \
    4.0 /* periods; Hann's main lobe then still leaves the mean and the double frequency out */
#define STEPS         4   /* windows start at whole quarters of their side */
#define STRONG        0.3 /* of the strongest amplitude: there are marks in this window */
#define TERMS         5   /* 1, s, t, s^2, s t */
#define OFF_MOST      1.2 /* rad; a window so far off the surface shows something else */
#define ROUGH_MOST    0.1 /* rad; drawn rulers are below 0.04, textures of photographs above 0.3 */
#define FITTING_LEAST 0.9 /* share of the strong windows that are on the surface */
/* Fainter than this many code values, zero to peak, it may be the steps of an even slope of light. */
#define FAINTEST 2.0
/* Windows overlap by three quarters in x and y; Hann's noise bandwidth is 1.5 bins, so of 16 windows about
 * (1.5 * 4 / 4)^2 = 2.25 are independent (Harris, Proc. IEEE 66:51, 1978, from memory). */
#define REPEATED (16 / 2.25)

/* What the tones of fifths and tenths do to a window's phase at the ruler's ends, rad; alike in neighbouring
 * windows, so the scatter does not show it. From drawn rulers. */
#define LEAK 0.02
/* Nothing is told better than to this share: sampling, the tone curve and a tilt move the marks by as much in
 * drawn rulers. */
#define SURE_MOST 1e-4

struct window {
    double s, t; /* along and across the ruler, samples from the middle of the picture */
    double complex z;
    bool used;
};

struct field {
    const struct ruler_plane *p;
    struct ruler_tone tone;
    double period, ux, uy; /* samples; unit vector along the ruler */
    int32_t lx, ly, cols, rows;
    struct window *w;                        /* rows x cols */
    double s0, t0;                           /* where the surface is wanted */
    double a[TERMS], cov[TERMS][TERMS], rms; /* s and t in periods */
    int terms, used;
};

/* ---- windows */

static int32_t window_side(const struct field *f, int32_t side)
{
    const double longer = f->p->w > f->p->h ? f->p->w : f->p->h;
    const double periods = fmin(WINDOW_PERIODS, fmax(WINDOW_LEAST, longer / f->period / 2.5));
    const double l = fmin(periods * f->period, side);
    return (int32_t)l / STEPS * STEPS;
}

/* weight[i] = Hann * exp(-i 2 pi f (i + 1/2)) over one side. */
static double complex *weights(int32_t l, double f, struct err *why)
{
    double complex *out = mem_new((size_t)l, sizeof *out, why);
    for (int32_t i = 0; out && i < l; i++) {
        const double hann = sin(M_PI * (i + 0.5) / l);
        out[i] = hann * hann * cexp(-2 * M_PI * I * f * (i + 0.5));
    }
    return out;
}

static void sum_row(const struct field *f, int32_t y, const double complex *wx, double complex *out)
{
    const float *row = f->p->value + (size_t)y * (size_t)f->p->w;
    for (int32_t c = 0; c < f->cols; c++) {
        const int32_t from = c * f->lx / STEPS;
        double re = 0, im = 0;
        for (int32_t i = 0; i < f->lx; i++) {
            re += creal(wx[i]) * (double)row[from + i];
            im += cimag(wx[i]) * (double)row[from + i];
        }
        out[c] = re + im * I;
    }
}

static void sum_all(struct field *f, const double complex *wx, const double complex *wy, double complex *line)
{
    for (int32_t y = 0; y < f->p->h; y++) {
        sum_row(f, y, wx, line);
        for (int32_t r = 0; r < f->rows; r++) {
            const int32_t from = r * f->ly / STEPS;
            if (y < from || y >= from + f->ly) continue;
            for (int32_t c = 0; c < f->cols; c++)
                f->w[r * f->cols + c].z += wy[y - from] * line[c];
        }
    }
}

/* The phase of the tone against one that starts in the middle of the picture. */
static void place_windows(struct field *f)
{
    for (int32_t r = 0; r < f->rows; r++)
        for (int32_t c = 0; c < f->cols; c++) {
            struct window *w = &f->w[r * f->cols + c];
            const int32_t left = c * f->lx / STEPS, top = r * f->ly / STEPS;
            const double x0 = left - f->p->w / 2.0, y0 = top - f->p->h / 2.0;
            const double x = x0 + f->lx / 2.0, y = y0 + f->ly / 2.0;
            w->z *= cexp(-2 * M_PI * I * (f->tone.fx * x0 + f->tone.fy * y0));
            w->s = x * f->ux + y * f->uy;
            w->t = -x * f->uy + y * f->ux;
        }
}

static int make_windows(struct field *f, struct err *why)
{
    f->lx = window_side(f, f->p->w);
    f->ly = window_side(f, f->p->h);
    f->cols = (f->p->w - f->lx) * STEPS / f->lx + 1;
    f->rows = (f->p->h - f->ly) * STEPS / f->ly + 1;
    f->w = mem_new((size_t)f->rows * (size_t)f->cols, sizeof *f->w, why);
    double complex *wx = weights(f->lx, f->tone.fx, why), *wy = weights(f->ly, f->tone.fy, why);
    double complex *line = mem_new((size_t)f->cols, sizeof *line, why);
    const bool ok = f->w && wx && wy && line;
    if (ok) {
        sum_all(f, wx, wy, line);
        place_windows(f);
    }
    mem_free(wx);
    mem_free(wy);
    mem_free(line);
    return ok ? E_OK : E_NOMEM;
}

/* ---- which of them show marks */

/* A tone of amplitude a gives a / 2 times the window's sum, which is a quarter of its area. */
static int32_t keep_strong(struct field *f, double *contrast)
{
    const int32_t count = f->rows * f->cols;
    double most = 0;
    int32_t strong = 0;
    for (int32_t i = 0; i < count; i++)
        most = fmax(most, cabs(f->w[i].z));
    *contrast = 8 * most / f->lx / f->ly;
    for (int32_t i = 0; i < count; i++) {
        if (cabs(f->w[i].z) < STRONG * most) f->w[i].z = 0;
        strong += f->w[i].z != 0;
    }
    return strong;
}

/* ---- the surface */

static void terms_at(const struct field *f, const struct window *w, double out[TERMS])
{
    const double s = (w->s - f->s0) / f->period, t = (w->t - f->t0) / f->period;
    const double all[TERMS] = {1, s, t, s * s, s * t};
    for (int i = 0; i < TERMS; i++)
        out[i] = all[i];
}

static double off(const struct field *f, const struct window *w)
{
    double x[TERMS], phase = carg(w->z);
    terms_at(f, w, x);
    for (int i = 0; i < f->terms; i++)
        phase -= f->a[i] * x[i];
    return remainder(phase, 2 * M_PI);
}

/* Inverse of the upper left n x n of m by elimination; false when it is singular. */
static bool invert(double m[TERMS][TERMS], int n, double out[TERMS][TERMS])
{
    for (int i = 0; i < n; i++)
        for (int j = 0; j < n; j++)
            out[i][j] = i == j;
    for (int i = 0; i < n; i++) {
        int top = i;
        for (int k = i + 1; k < n; k++)
            if (fabs(m[k][i]) > fabs(m[top][i])) top = k;
        if (!(fabs(m[top][i]) > 1e-30)) return false;
        for (int j = 0; j < n; j++) {
            const double a = m[i][j], b = out[i][j];
            m[i][j] = m[top][j], m[top][j] = a;
            out[i][j] = out[top][j], out[top][j] = b;
        }
        const double d = m[i][i];
        for (int j = 0; j < n; j++)
            m[i][j] /= d, out[i][j] /= d;
        for (int k = 0; k < n; k++) {
            const double g = m[k][i];
            for (int j = 0; j < n && k != i; j++)
                m[k][j] -= g * m[i][j], out[k][j] -= g * out[i][j];
        }
    }
    return true;
}

/* One step of least squares on the windows within `reach` of the middle; weights are powers. */
static bool fit(struct field *f, int terms, double reach)
{
    double m[TERMS][TERMS] = {{0}}, b[TERMS] = {0}, inverse[TERMS][TERMS], weight = 0, square = 0;
    const int32_t count = f->rows * f->cols;
    f->used = 0;
    for (int32_t i = 0; i < count; i++) {
        struct window *w = &f->w[i];
        const double residual = off(f, w), power = creal(w->z * conj(w->z));
        w->used = power > 0 && hypot(w->s - f->s0, w->t - f->t0) <= reach && fabs(residual) < OFF_MOST;
        if (!w->used) continue;
        double x[TERMS];
        terms_at(f, w, x);
        for (int j = 0; j < terms; j++) {
            for (int k = 0; k < terms; k++)
                m[j][k] += power * x[j] * x[k];
            b[j] += power * residual * x[j];
        }
        weight += power;
        square += power * residual * residual;
        f->used++;
    }
    for (int j = 0; j < terms; j++) /* all in one row or column: that slope stays as it is */
        m[j][j] += 1e-9 * weight;
    if (f->used <= terms || !invert(m, terms, inverse)) return false;
    f->rms = sqrt(square / weight);
    const double variance = fmax(f->rms, LEAK) * fmax(f->rms, LEAK);
    for (int j = 0; j < terms; j++)
        for (int k = 0; k < terms; k++) {
            f->a[j] += inverse[j][k] * b[k];
            f->cov[j][k] = inverse[j][k] * weight / (f->used - terms) * variance * REPEATED;
        }
    f->terms = terms;
    return true;
}

/* Mean difference of phase to the neighbours, along x and y, as a slope along s and t. */
static void begin(struct field *f)
{
    double complex dx = 0, dy = 0, here = 0;
    for (int32_t r = 0; r < f->rows; r++)
        for (int32_t c = 0; c < f->cols; c++) {
            const struct window *w = &f->w[r * f->cols + c];
            if (c + 1 < f->cols) dx += w[1].z * conj(w->z);
            if (r + 1 < f->rows) dy += w[f->cols].z * conj(w->z);
        }
    const int32_t right = f->lx / STEPS, down = f->ly / STEPS;
    const double gx = carg(dx) / right, gy = carg(dy) / down;
    f->a[1] = (gx * f->ux + gy * f->uy) * f->period;
    f->a[2] = (-gx * f->uy + gy * f->ux) * f->period;
    f->terms = 3;
    for (int32_t i = 0; i < f->rows * f->cols; i++) {
        const struct window *w = &f->w[i];
        const double s = w->s - f->s0, t = w->t - f->t0, l = f->lx > f->ly ? f->lx : f->ly;
        if (hypot(s, t) < l / 2) here += w->z * cexp(-I * (f->a[1] * s + f->a[2] * t) / f->period);
    }
    f->a[0] = carg(here);
}

struct extent {
    double s0, s1, t0, t1;
};

static struct extent extent_of(const struct field *f, bool used)
{
    struct extent e = {INFINITY, -INFINITY, INFINITY, -INFINITY};
    for (int32_t i = 0; i < f->rows * f->cols; i++) {
        const struct window *w = &f->w[i];
        if (used ? !w->used : w->z == 0) continue;
        e.s0 = fmin(e.s0, w->s), e.s1 = fmax(e.s1, w->s);
        e.t0 = fmin(e.t0, w->t), e.t1 = fmax(e.t1, w->t);
    }
    return e;
}

static double nearest_inside(double lo, double hi)
{
    return lo > 0 ? lo : hi < 0 ? hi : 0;
}

static bool grow(struct field *f)
{
    const struct extent e = extent_of(f, false);
    const double whole = hypot(e.s1 - e.s0, e.t1 - e.t0) + 1, l = f->lx > f->ly ? f->lx : f->ly;
    const bool curves = e.s1 - e.s0 > 0.7 * l, spreads = e.t1 - e.t0 > 0.5 * l;
    f->s0 = nearest_inside(e.s0, e.s1);
    f->t0 = nearest_inside(e.t0, e.t1);
    begin(f);
    bool ok = true;
    for (double reach = 0.75 * l; ok; reach *= 1.3) {
        const int terms = !curves || reach < l ? 3 : spreads ? 5 : 4;
        ok = fit(f, terms, reach) || (f->used < 8 && reach < whole);
        if (reach > whole) break;
    }
    for (int again = 0; ok && again < 4; again++)
        ok = fit(f, curves ? (spreads ? 5 : 4) : 3, INFINITY);
    return ok;
}

/* ---- the answer */

static void answer(const struct field *f, struct ruler *out)
{
    const double fs = (1 + f->a[1] / (2 * M_PI)) / f->period, ft = f->a[2] / (2 * M_PI) / f->period;
    const double found = hypot(fs, ft);
    const double sigma = hypot(sqrt(f->cov[1][1]) / (2 * M_PI) / f->period, SURE_MOST * found);
    const double fx = fs * f->ux - ft * f->uy, fy = fs * f->uy + ft * f->ux;
    const struct extent e = extent_of(f, true);
    const double seen = e.s1 - e.s0 + (f->lx * fabs(f->ux) + f->ly * fabs(f->uy)) / 2;
    double angle = atan2(fy, fx) * 180 / M_PI;
    if (angle > 90) angle -= 180;
    if (angle <= -90) angle += 180;
    *out = (struct ruler){.period_px = f->p->by / found,
                          .uncertainty_px = f->p->by * sigma / (found * found),
                          .angle_deg = angle,
                          .periods = seen * found,
                          .change = f->terms > 3 ? -2 * f->a[3] / (2 * M_PI) * (e.s1 - e.s0) / f->period : 0};
}

static int judge(struct field *f, struct ruler *out, struct err *why)
{
    double contrast;
    const int32_t strong = keep_strong(f, &contrast);
    if (contrast < FAINTEST)
        return fail(why, E_INPUT, "no marks are to be seen; let the ruler fill the picture, in focus");
    if (!grow(f) || f->rms > ROUGH_MOST || f->used < FITTING_LEAST * strong)
        return fail(
            why, E_INPUT,
            "something repeats there, but not evenly enough for a ruler's marks; let the ruler fill the "
            "picture, flat and in focus");
    struct ruler r;
    answer(f, &r);
    if (r.periods < RULER_PERIODS_LEAST)
        return fail(why, E_INPUT, "only about %.0f marks are to be seen; %d are needed, so use a finer ruler",
                    r.periods, RULER_PERIODS_LEAST);
    if (r.period_px < RULER_PERIOD_LEAST_PX)
        return fail(why, E_INPUT,
                    "the marks are only %.1f pixels apart, too near each other; use a coarser ruler",
                    r.period_px);
    *out = r;
    return E_OK;
}

int ruler_refine(const struct ruler_plane *p, struct ruler_tone tone, struct ruler *out, struct err *why)
{
    struct field f = {.p = p, .tone = tone, .period = 1 / hypot(tone.fx, tone.fy)};
    f.ux = tone.fx * f.period;
    f.uy = tone.fy * f.period;
    int rc = make_windows(&f, why);
    if (!rc) rc = judge(&f, out, why);
    mem_free(f.w);
    return rc;
}
