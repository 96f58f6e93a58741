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
    if (radius > GRID / 2 - 4)
        radius = GRID / 2 - 4; /* a spot much smaller than a pixel: its size hardly shows */
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
            double phase = 2 * PI * (waves - (ix + iy) * 0.5 / GRID),
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

/* Adds the spot of one colour to lane `lane` of the square, as far as `reach` pixels from its middle. */
static void spot_by_waves(v4 *square, int lane, struct complex_plane *p, const struct pupil *pupil,
                          const struct turns *turns, int32_t reach)
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
    if (reach > GRID / FINE / 2 - 1) reach = GRID / FINE / 2 - 1;
    /* Pixel k of the spot covers the grid points FINE k - FINE/2 and the next; the middle lies between -1 and
     * 0. */
    int32_t lo = -reach * FINE - FINE / 2, hi = reach * FINE + FINE / 2;
    for (int32_t x = lo; x < hi; x++) {
        int32_t row = x & (GRID - 1), px = (x - lo) / FINE - reach;
        transform_row(p->re[row], p->im[row], turns->re, turns->im);
        for (int32_t y = lo; y < hi; y++) {
            float re = p->re[row][y & (GRID - 1)], im = p->im[row][y & (GRID - 1)];
            int32_t py = (y - lo) / FINE - reach;
            square[(py + SPOT / 2) * SPOT + px + SPOT / 2][lane] += re * re + im * im;
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
        double x = (i % RAYS_ACROSS + 0.5) * 2.1 / RAYS_ACROSS - 1.05;
        double y = ((double)(i / RAYS_ACROSS) + 0.5) * 2.1 / RAYS_ACROSS - 1.05;
        if (hypot(x, y) > rim(atan2(y, x), ideal)) continue;
        r->x[r->count] = (float)x;
        r->y[r->count++] = (float)y;
    }
}

/* The same by rays, all lanes alike. `diameter_px` as it is to be drawn. */
static void spot_by_rays(v4 *square, const struct rays *rays, double diameter_px)
{
    float half = (float)(diameter_px / 2);
    for (int32_t i = 0; i < rays->count; i++) {
        float tx = rays->x[i] * half + SPOT / 2, ty = rays->y[i] * half + SPOT / 2;
        int left = (int)tx, top = (int)ty;
        float fx = tx - (float)left, fy = ty - (float)top;
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
    struct turns turns;
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
                spot_by_waves(w->square, lane, &w->plane, &w->pupil[lane], &w->turns,
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
