#include "sim/psf.h"

#include <math.h>
#include <string.h>

#include "base/mem.h"

#define GRID       128 /* of the Fourier transform */
#define FINE       4   /* grid points across a pixel */
#define SPOT       64  /* kernels are built in a square of this many pixels */
#define WAVE_REACH 14  /* pixels; larger spots are made of rays */
#define FAINT      1.5e-4f
#define PI         3.141592653589793

/* Of the lens: spherical aberration at the rim in waves of 550 nm, balanced by defocus; coma; guesses at a
 * good lens. */
#define SPHERICAL_WAVES 0.30
#define COMA_WAVES      0.10
static const double wave_um[3] = {0.605, 0.545, 0.465}; /* red, green, blue filters of a sensor, about */

/* Outline of the opened diaphragm: seven rounded blades, a little narrower on one side. Radius at an angle.
 */
static double rim(double angle, bool ideal)
{
    if (ideal) return 1;
    return 1.006 - 0.022 * (1 - cos(7 * angle + 0.4)) / 2 + 0.018 * cos(angle - 0.7) - 0.012 * cos(2 * angle);
}

static double aberration_waves(double x, double y, bool ideal)
{
    if (ideal) return 0;
    double rr = x * x + y * y;
    return SPHERICAL_WAVES * (rr * rr - rr) + COMA_WAVES * (rr - 2.0 / 3) * (0.8 * x + 0.6 * y);
}

struct complex_plane {
    float re[GRID][GRID], im[GRID][GRID];
};

/* In place, one row of GRID numbers; turn[k] = exp(2 pi i k / GRID). */
static void transform_row(float *re, float *im, const float *turn_re, const float *turn_im)
{
    for (int i = 1, j = 0; i < GRID; i++) {
        int bit = GRID >> 1;
        for (; j & bit; bit >>= 1)
            j ^= bit;
        j ^= bit;
        if (i < j) {
            float t = re[i];
            re[i] = re[j];
            re[j] = t;
            t = im[i];
            im[i] = im[j];
            im[j] = t;
        }
    }
    for (int half = 1; half < GRID; half *= 2) {
        int stride = GRID / (2 * half);
        for (int start = 0; start < GRID; start += 2 * half) {
            for (int k = 0; k < half; k++) {
                float wr = turn_re[k * stride], wi = turn_im[k * stride];
                float *ar = &re[start + k], *ai = &im[start + k], *br = ar + half, *bi = ai + half;
                float tr = wr * *br - wi * *bi, ti = wr * *bi + wi * *br;
                *br = *ar - tr;
                *bi = *ai - ti;
                *ar += tr;
                *ai += ti;
            }
        }
    }
}

static void transpose(struct complex_plane *p)
{
    for (int y = 0; y < GRID; y++) {
        for (int x = y + 1; x < GRID; x++) {
            float t = p->re[y][x];
            p->re[y][x] = p->re[x][y];
            p->re[x][y] = t;
            t = p->im[y][x];
            p->im[y][x] = p->im[x][y];
            p->im[x][y] = t;
        }
    }
}

/* The pupil on the grid, frequency zero at 0 (negative ones at the upper end), shifted so that the spot's
 * middle falls between four grid points. `radius` in grid points. */
static void fill_pupil(struct complex_plane *p, double radius, double defocus_waves, double per_wave,
                       bool ideal)
{
    memset(p, 0, sizeof *p);
    int most = (int)radius + 2;
    if (most > GRID / 2 - 1) most = GRID / 2 - 1;
    for (int iy = -most; iy <= most; iy++) {
        for (int ix = -most; ix <= most; ix++) {
            double x = ix / radius, y = iy / radius, r = hypot(x, y);
            double inside = (rim(atan2(y, x), ideal) - r) * radius + 0.5; /* a rim one grid point soft */
            if (inside <= 0) continue;
            if (inside > 1) inside = 1;
            double waves = defocus_waves * (x * x + y * y) + per_wave * aberration_waves(x, y, ideal);
            double phase = 2 * PI * (waves - (ix + iy) * 0.5 / GRID);
            p->re[iy & (GRID - 1)][ix & (GRID - 1)] = (float)(inside * cos(phase));
            p->im[iy & (GRID - 1)][ix & (GRID - 1)] = (float)(inside * sin(phase));
        }
    }
}

/* Adds the spot of one colour to lane `lane` of the square, by waves. */
static void spot_by_waves(v4 *square, int lane, struct complex_plane *p, const struct lens *l,
                          double diameter_px, bool ideal)
{
    static const int half = GRID / FINE / 2;
    double wave = wave_um[lane];
    double radius = GRID * l->pixel_um / FINE / (2 * wave * l->cone);
    if (radius > GRID / 2 - 4)
        radius = GRID / 2 - 4; /* a spot much smaller than a pixel: its size hardly shows */
    /* The rim's ray lands half a diameter off: the slope of the wave there, over the cone. */
    double defocus_waves = diameter_px * l->pixel_um / (8 * l->cone * wave);
    fill_pupil(p, radius, defocus_waves, 0.55 / wave, ideal);

    float turn_re[GRID], turn_im[GRID];
    for (int k = 0; k < GRID; k++) {
        turn_re[k] = (float)cos(2 * PI * k / GRID);
        turn_im[k] = (float)sin(2 * PI * k / GRID);
    }
    for (int turn = 0; turn < 2; turn++) {
        for (int y = 0; y < GRID; y++)
            transform_row(p->re[y], p->im[y], turn_re, turn_im);
        transpose(p);
    }
    /* Pixel k of the spot covers the grid points FINE k - FINE/2 .. + FINE - 1, the middle being between -1
     * and 0. */
    for (int y = -half * FINE; y < half * FINE; y++) {
        for (int x = -half * FINE; x < half * FINE; x++) {
            float re = p->re[y & (GRID - 1)][x & (GRID - 1)], im = p->im[y & (GRID - 1)][x & (GRID - 1)];
            int px = (x + FINE / 2 + GRID) / FINE - GRID / FINE,
                py = (y + FINE / 2 + GRID) / FINE - GRID / FINE;
            v4 *to = &square[(py + SPOT / 2) * SPOT + px + SPOT / 2];
            (*to)[lane] += re * re + im * im;
        }
    }
}

/* The same by rays, all lanes alike. `diameter_px` as it is to be drawn. */
static void spot_by_rays(v4 *square, double diameter_px, bool ideal)
{
    enum { ACROSS = 96 };
    for (int iy = 0; iy < ACROSS; iy++) {
        for (int ix = 0; ix < ACROSS; ix++) {
            double x = (ix + 0.5) * 2.1 / ACROSS - 1.05, y = (iy + 0.5) * 2.1 / ACROSS - 1.05;
            double rr = x * x + y * y;
            if (rr > 1.2 || (rr > 0.8 && sqrt(rr) > rim(atan2(y, x), ideal))) continue;
            double tx = x * diameter_px / 2 + SPOT / 2, ty = y * diameter_px / 2 + SPOT / 2;
            int left = (int)tx, top = (int)ty;
            float fx = (float)(tx - left), fy = (float)(ty - top);
            v4 *to = &square[top * SPOT + left];
            to[0] += v4_all((1 - fx) * (1 - fy));
            to[1] += v4_all(fx * (1 - fy));
            to[SPOT] += v4_all((1 - fx) * fy);
            to[SPOT + 1] += v4_all(fx * fy);
        }
    }
}

/* What a square holds, as a kernel: faint taps around it left out, the rest brought to a sum of 1. */
static int kernel_from_square(struct kernel *k, const v4 *square, int size, struct err *why)
{
    v4 sum = v4_all(0);
    for (int i = 0; i < size * size; i++)
        sum += square[i];
    int first[PSF_ROWS], last[PSF_ROWS], top = size, bottom = -1, count = 0;
    for (int y = 0; y < size; y++) {
        first[y] = size;
        last[y] = -1;
        for (int x = 0; x < size; x++) {
            v4 share = square[y * size + x] / sum;
            if (share[0] < FAINT && share[1] < FAINT && share[2] < FAINT) continue;
            if (x < first[y]) first[y] = x;
            last[y] = x;
        }
        if (last[y] < 0) continue;
        if (top == size) top = y;
        bottom = y;
        count += last[y] - first[y] + 1;
    }
    k->taps = mem_new((size_t)count, sizeof *k->taps, why);
    if (!k->taps) return E_NOMEM;
    k->top = top - size / 2;
    k->rows = bottom - top + 1;
    k->tap_count = count;
    v4 *to = k->taps, kept = v4_all(0);
    for (int y = top; y <= bottom; y++) {
        k->left[y - top] = (int16_t)(first[y] - size / 2);
        k->length[y - top] = (int16_t)(last[y] < 0 ? 0 : last[y] - first[y] + 1);
        for (int x = first[y]; x <= last[y]; x++) {
            kept += square[y * size + x];
            *to++ = square[y * size + x];
        }
    }
    for (int i = 0; i < count; i++)
        k->taps[i] /= kept;
    return E_OK;
}

static void note_reach(struct kernel_set *s, int index)
{
    const struct kernel *k = &s->kernel[index];
    float half = (float)(fabs((index - PSF_MIDDLE) * PSF_STEP) / 2);
    int most = k->rows + k->top > -k->top ? k->rows + k->top : -k->top;
    for (int r = 0; r < k->rows; r++) {
        if (-k->left[r] > most) most = -k->left[r];
        if (k->left[r] + k->length[r] > most) most = k->left[r] + k->length[r];
    }
    if ((float)most - half > s->reach_px) s->reach_px = (float)most - half;
}

struct workshop {
    struct complex_plane plane;
    v4 square[SPOT * SPOT];
};

static int build(struct kernel_set *s, const struct lens *l, bool ideal, double added, struct err *why)
{
    memset(s, 0, sizeof *s);
    struct workshop *w = mem_new(1, sizeof *w, why);
    if (!w) return E_NOMEM;
    int rc = E_OK;
    for (int i = 0; i < PSF_COUNT && !rc; i++) {
        double diameter = (i - PSF_MIDDLE) * PSF_STEP;
        memset(w->square, 0, sizeof w->square);
        if (l && fabs(diameter) <= WAVE_REACH) {
            for (int lane = 0; lane < 3; lane++)
                spot_by_waves(w->square, lane, &w->plane, l, diameter, ideal);
            for (int j = 0; j < SPOT * SPOT; j++)
                w->square[j][3] = w->square[j][1];
        } else {
            double drawn = copysign(sqrt(fmax(diameter * diameter - 16 * added, 0.01)), diameter);
            spot_by_rays(w->square, drawn, ideal);
        }
        rc = kernel_from_square(&s->kernel[i], w->square, SPOT, why);
        if (!rc) note_reach(s, i);
    }
    mem_free(w);
    if (rc) psf_clear(s);
    return rc;
}

int psf_full(struct kernel_set *s, const struct lens *l, bool ideal, struct err *why)
{
    /* Rays are spread over the two nearest pixels (1/6 px^2 a side); a pixel's own width is 1/12. */
    return build(s, l, ideal, 1.0 / 12, why);
}

int psf_reduced(struct kernel_set *s, bool ideal, struct err *why)
{
    /* Variance, in pixels of the reduced picture, of spreading rays, reducing, placing, and enlarging again.
     */
    return build(s, NULL, ideal, 1.0 / 6 + 1.0 / 16 + 1.0 / 6 + 1.0 / 4, why);
}

void psf_clear(struct kernel_set *s)
{
    for (int i = 0; i < PSF_COUNT; i++)
        mem_free(s->kernel[i].taps);
    memset(s, 0, sizeof *s);
}

/* One share of a movement: a neighbour in the set and a whole-pixel shift. */
struct share {
    int32_t step, dx, dy;
    float weight;
};

static int list_shares(const struct psf_motion *m, struct share *list)
{
    int count = 0;
    for (int i = 0; i < m->count; i++) {
        float fs = floorf(m->steps[i]), fx = floorf(m->dx[i]), fy = floorf(m->dy[i]);
        for (int corner = 0; corner < 8; corner++) {
            int s = corner & 1, x = corner >> 1 & 1, y = corner >> 2;
            float ws = m->steps[i] - fs, wx = m->dx[i] - fx, wy = m->dy[i] - fy;
            float w = (s ? ws : 1 - ws) * (x ? wx : 1 - wx) * (y ? wy : 1 - wy) / (float)m->count;
            if (w <= 0) continue;
            struct share add = {(int)fs + s, (int)fx + x, (int)fy + y, w};
            int at = 0;
            while (at < count &&
                   (list[at].step != add.step || list[at].dx != add.dx || list[at].dy != add.dy))
                at++;
            if (at == count) list[count++] = (struct share){add.step, add.dx, add.dy, 0};
            list[at].weight += w;
        }
    }
    return count;
}

static void add_kernel(v4 *square, int size, const struct kernel *k, int dx, int dy, float weight)
{
    const v4 *tap = k->taps;
    v4 w = v4_all(weight);
    for (int r = 0; r < k->rows; r++) {
        int y = size / 2 + k->top + r + dy;
        if (y < 0 || y >= size) {
            tap += k->length[r];
            continue;
        }
        for (int i = 0; i < k->length[r]; i++, tap++) {
            int x = size / 2 + k->left[r] + i + dx;
            if (x >= 0 && x < size) square[y * size + x] += w * *tap;
        }
    }
}

int psf_moved(struct kernel_set *out, const struct kernel_set *in, int first, int last,
              const struct psf_motion *m, struct err *why)
{
    enum { SIZE = PSF_ROWS };
    struct bench {
        v4 square[SIZE * SIZE];
        struct share list[64 * 8];
    } *b = mem_new(1, sizeof *b, why);
    if (!b) return E_NOMEM;
    memset(out, 0, sizeof *out);
    int shares = list_shares(m, b->list), rc = E_OK;
    for (int i = first; i <= last && !rc; i++) {
        memset(b->square, 0, sizeof b->square);
        for (int j = 0; j < shares; j++) {
            int from = i + b->list[j].step;
            from = from < 0 ? 0 : from >= PSF_COUNT ? PSF_COUNT - 1 : from;
            add_kernel(b->square, SIZE, &in->kernel[from], b->list[j].dx, b->list[j].dy, b->list[j].weight);
        }
        rc = kernel_from_square(&out->kernel[i], b->square, SIZE, why);
        if (!rc) note_reach(out, i);
    }
    mem_free(b);
    if (rc) psf_clear(out);
    return rc;
}
