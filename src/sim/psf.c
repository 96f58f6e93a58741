#include "sim/psf.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"

#define GRID       128     /* of the Fourier transform */
#define FINE       4       /* grid points across a pixel */
#define PUPIL_MOST 60.0    /* its radius in grid points */
#define SPOT       64      /* kernels are built in a square of this many pixels */
#define WAVE_REACH 14      /* pixels; larger spots are made of rays */
#define FAINT      1.5e-4f /* taps below this are left out: 2 to 4 % of the light, the outer diffraction rings */
#define PI         3.141592653589793

/* Of the lens: spherical aberration at the rim in waves of 550 nm, balanced by defocus; coma; guesses at a
 * good lens. */
#define SPHERICAL_WAVES 0.45
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

/* Pupils of the three colours: amplitude, phase without defocus, and what one more step of defocus turns it
 * by. */
struct pupil {
    int32_t count;
    int32_t radius; /* grid points, rounded up */
    struct point {
        int16_t x, y;
        float inside, re, im, turn_re, turn_im;
    } at[GRID * GRID];
};

/* `from_px`: the diameter to begin with. Frequency zero lies at 0, negative ones at the upper end; the spot's
 * middle falls between four grid points. */
static void pupil_make(struct pupil *p, const struct lens *l, int lane, double from_px, bool ideal)
{
    double wave = wave_um[lane], radius = GRID * l->pixel_um / FINE / (2 * wave * l->cone);
    if (radius > PUPIL_MOST)
        radius = PUPIL_MOST; /* a spot much smaller than a pixel: its size hardly shows */
    p->radius = (int32_t)radius + 2;
    p->count = 0;
    /* The rim's ray lands half a diameter off: the slope of the wave there, over the cone. */
    double waves_per_px = l->pixel_um / (8 * l->cone * wave);
    for (int32_t iy = -p->radius; iy <= p->radius; iy++) {
        for (int32_t ix = -p->radius; ix <= p->radius; ix++) {
            double x = ix / radius, y = iy / radius, rr = x * x + y * y;
            double inside =
                (rim(atan2(y, x), ideal) - sqrt(rr)) * radius + 0.5; /* a rim one grid point soft */
            if (inside <= 0) continue;
            double waves = from_px * waves_per_px * rr + 0.55 / wave * aberration_waves(x, y, ideal);
            double phase = 2 * PI * (waves + (ix + iy) * 0.5 / GRID),
                   turn = 2 * PI * waves_per_px * PSF_STEP * rr;
            p->at[p->count++] = (struct point){(int16_t)(ix & (GRID - 1)),
                                               (int16_t)(iy & (GRID - 1)),
                                               (float)fmin(inside, 1),
                                               (float)cos(phase),
                                               (float)sin(phase),
                                               (float)cos(turn),
                                               (float)sin(turn)};
        }
    }
}

static void pupil_turn(struct pupil *p)
{
    for (int32_t i = 0; i < p->count; i++) {
        struct point *a = &p->at[i];
        float re = a->re * a->turn_re - a->im * a->turn_im;
        a->im = a->re * a->turn_im + a->im * a->turn_re;
        a->re = re;
    }
}

struct turns {
    float re[GRID], im[GRID];
};

static void turns_make(struct turns *t)
{
    for (int k = 0; k < GRID; k++) {
        t->re[k] = (float)cos(2 * PI * k / GRID);
        t->im[k] = (float)sin(2 * PI * k / GRID);
    }
}

/* How much a grid point that lies `x` pixels from the middle of a pixel gives to it. The scene between its
 * samples is the cubic spline through them, so each sample is a cardinal spline, not a point; the pixel
 * averages over its width. That mean of a cubic B-spline is a quartic one. */
enum { GIVES = 5 }; /* pixels */

static double quartic(double x)
{
    double a = fabs(x), b;
    if (a >= 2.5) return 0;
    if (a >= 1.5) {
        b = 2.5 - a;
        return b * b * b * b / 24;
    }
    if (a >= 0.5) return (55 + 20 * a - 120 * a * a + 80 * a * a * a - 16 * a * a * a * a) / 96;
    return (115 - 120 * a * a + 48 * a * a * a * a) / 192;
}

static double given(double x)
{
    static const double pole = -0.2679491924311227;
    double sum = 0, power = 1;
    for (int k = 0; k <= GIVES + 3; k++, power *= pole)
        sum += power * (quartic(x - k) + (k ? quartic(x + k) : 0));
    return sqrt(3) * sum;
}

/* to[i]: what a grid point gives to a pixel (i - GIVES FINE + 1/2) grid points away. */
struct gifts {
    float to[2 * GIVES * FINE];
};

static void gifts_make(struct gifts *g)
{
    for (int i = 0; i < 2 * GIVES * FINE; i++)
        g->to[i] = (float)given((i - GIVES * FINE + 0.5) / FINE);
}

/* Adds the spot of one colour to lane `lane` of the square, as far as `reach` pixels from its middle. */
static void spot_by_waves(v4 *square, int lane, struct complex_plane *p, const struct pupil *pupil,
                          const struct turns *turns, const struct gifts *gifts, int32_t reach)
{
    memset(p, 0, sizeof *p);
    for (int32_t i = 0; i < pupil->count; i++) {
        const struct point *a = &pupil->at[i];
        p->re[a->y][a->x] = a->inside * a->re;
        p->im[a->y][a->x] = a->inside * a->im;
    }
    for (int32_t y = -pupil->radius; y <= pupil->radius; y++) {
        int32_t row = y & (GRID - 1);
        transform_row(p->re[row], p->im[row], turns->re, turns->im);
    }
    transpose(p);
    const int32_t most = GRID / FINE / 2 - 1;
    int32_t seen = reach + GIVES < most ? reach + GIVES : most;
    reach = reach < most ? reach : most;
    for (int32_t x = -seen * FINE; x < seen * FINE; x++) {
        int32_t row = x & (GRID - 1);
        float line[GRID] = {0};
        transform_row(p->re[row], p->im[row], turns->re, turns->im);
        for (int32_t y = -seen * FINE; y < seen * FINE; y++) {
            float re = p->re[row][y & (GRID - 1)], im = p->im[row][y & (GRID - 1)];
            line[y + GRID / 2] = re * re + im * im;
        }
        /* Pixels that this line of the grid gives to: those less than GIVES from it. */
        int32_t px0 = (x + GRID) / FINE - GRID / FINE - GIVES + 1, px1 = px0 + 2 * GIVES;
        for (int32_t py = -reach; py <= reach; py++) {
            float sum = 0;
            int32_t from = py * FINE - GIVES * FINE;
            for (int32_t i = from < -GRID / 2 ? -GRID / 2 - from : 0;
                 i < 2 * GIVES * FINE && from + i < GRID / 2; i++)
                sum += line[from + i + GRID / 2] * gifts->to[i];
            for (int32_t px = px0 < -reach ? -reach : px0; px < px1 && px <= reach; px++)
                square[(py + SPOT / 2) * SPOT + px + SPOT / 2][lane] +=
                    sum * gifts->to[x - px * FINE + GIVES * FINE];
        }
    }
}

/* Points spread evenly over the pupil. */
enum { RAYS_ACROSS = 96 };
struct rays {
    int32_t count;
    float x[RAYS_ACROSS * RAYS_ACROSS], y[RAYS_ACROSS * RAYS_ACROSS];
};

static void rays_make(struct rays *r, bool ideal)
{
    for (int i = 0; i < RAYS_ACROSS * RAYS_ACROSS; i++) {
        int col = i % RAYS_ACROSS, row = i / RAYS_ACROSS;
        double x = (col + 0.5) * 2.1 / RAYS_ACROSS - 1.05, y = (row + 0.5) * 2.1 / RAYS_ACROSS - 1.05;
        if (hypot(x, y) > rim(atan2(y, x), ideal)) continue;
        r->x[r->count] = (float)x;
        r->y[r->count++] = (float)y;
    }
}

/* The same by rays, all lanes alike: each ray is as wide as the space between rays, a pixel gets its part of
 * it. `diameter_px` as it is to be drawn. */
static void spot_by_rays(v4 *square, const struct rays *rays, double diameter_px)
{
    const float middle = 0.5f * SPOT + 0.5f;
    float half = (float)(diameter_px / 2), width = fabsf(half) * 2.1f / RAYS_ACROSS;
    if (width > 1) width = 1;
    for (int32_t i = 0; i < rays->count; i++) {
        float tx = rays->x[i] * half + middle, ty = rays->y[i] * half + middle;
        int left = (int)(tx - width / 2), top = (int)(ty - width / 2);
        float fx = fmaxf((tx + width / 2 - (float)(left + 1)) / width, 0);
        float fy = fmaxf((ty + width / 2 - (float)(top + 1)) / width, 0);
        v4 *to = &square[top * SPOT + left];
        to[0] += v4_all((1 - fx) * (1 - fy));
        to[1] += v4_all(fx * (1 - fy));
        to[SPOT] += v4_all((1 - fx) * fy);
        to[SPOT + 1] += v4_all(fx * fy);
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
            v4 strong = v4_max(share, -share);
            if (strong[0] < FAINT && strong[1] < FAINT && strong[2] < FAINT) continue;
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
    struct turns turns;
    struct gifts gifts;
    struct pupil pupil[3];
    struct rays rays;
    v4 square[SPOT * SPOT];
};

/* Spots of more waves than these look as rays say. */
#define WAVES_MOST 3.0

/* Up to which diameter waves are needed. */
static double wave_reach(const struct lens *l)
{
    if (!l) return -1;
    double reach = WAVES_MOST * 8 * l->cone * wave_um[1] / l->pixel_um;
    return reach < 4 ? 4 : reach > WAVE_REACH ? WAVE_REACH : reach;
}

static int build(struct kernel_set *s, const struct lens *l, bool ideal, double added, struct err *why)
{
    memset(s, 0, sizeof *s);
    struct workshop *w = mem_new(1, sizeof *w, why);
    if (!w) return E_NOMEM;
    turns_make(&w->turns);
    gifts_make(&w->gifts);
    rays_make(&w->rays, ideal);
    double waves_to = floor(wave_reach(l) / PSF_STEP) * PSF_STEP;
    for (int lane = 0; l && lane < 3; lane++)
        pupil_make(&w->pupil[lane], l, lane, -waves_to, ideal);
    int rc = E_OK;
    for (int i = 0; i < PSF_COUNT && !rc; i++) {
        double diameter = (i - PSF_MIDDLE) * PSF_STEP;
        memset(w->square, 0, sizeof w->square);
        if (fabs(diameter) <= waves_to) {
            for (int lane = 0; lane < 3; lane++) {
                spot_by_waves(w->square, lane, &w->plane, &w->pupil[lane], &w->turns, &w->gifts,
                              (int32_t)(fabs(diameter) / 2 + 8));
                pupil_turn(&w->pupil[lane]);
            }
            for (int j = 0; j < SPOT * SPOT; j++)
                w->square[j][3] = w->square[j][1];
        } else {
            spot_by_rays(w->square, &w->rays,
                         copysign(sqrt(fmax(diameter * diameter - 16 * added, 0.01)), diameter));
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
    return build(s, l, ideal, 0, why);
}

int psf_reduced(struct kernel_set *s, bool ideal, struct err *why)
{
    /* Variance, in pixels of the reduced picture: its own pixels (1/12 a side), of which a full-size pixel is
     * the quarter or less, and the means that made it (1/16). Placing and enlarging add none: both are cubic.
     */
    return build(s, NULL, ideal, 1.0 / 16 + 1.0 / 16, why);
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

/* Six weights that move a picture by a part of a pixel: a sinc in a window of sinc (Lanczos, three lobes). */
static void shift_weights(float part, float w[6])
{
    float sum = 0;
    for (int i = 0; i < 6; i++) {
        double x = PI * (i - 2 - (double)part);
        w[i] = fabs(x) < 1e-6 ? 1 : (float)(3 * sin(x) * sin(x / 3) / (x * x));
        sum += w[i];
    }
    for (int i = 0; i < 6; i++)
        w[i] /= sum;
}

static int by_place(const void *a, const void *b)
{
    const struct share *p = a, *q = b;
    if (p->step != q->step) return p->step < q->step ? -1 : 1;
    if (p->dy != q->dy) return p->dy < q->dy ? -1 : 1;
    return p->dx < q->dx ? -1 : p->dx > q->dx;
}

#define SHARES_MOST (64 * 2 * 36)

static int list_shares(const struct psf_motion *m, struct share *list)
{
    int count = 0;
    for (int i = 0; i < m->count; i++) {
        float fs = floorf(m->steps[i]), fx = floorf(m->dx[i]), fy = floorf(m->dy[i]), wx[6], wy[6];
        shift_weights(m->dx[i] - fx, wx);
        shift_weights(m->dy[i] - fy, wy);
        for (int k = 0; k < 72; k++) {
            int s = k & 1, x = k / 2 % 6, y = k / 12;
            float ws = s ? m->steps[i] - fs : 1 - (m->steps[i] - fs);
            float w = ws * wx[x] * wy[y] / (float)m->count;
            if (fabsf(w) > 1e-7f)
                list[count++] = (struct share){(int)fs + s, (int)fx + x - 2, (int)fy + y - 2, w};
        }
    }
    qsort(list, (size_t)count, sizeof *list, by_place);
    int kept = 0;
    for (int i = 0; i < count; i++) {
        if (kept > 0 && by_place(&list[kept - 1], &list[i]) == 0)
            list[kept - 1].weight += list[i].weight;
        else
            list[kept++] = list[i];
    }
    return kept;
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
        struct share list[SHARES_MOST];
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
