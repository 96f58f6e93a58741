#include "check/frames.h"

#include <math.h>

#include "base/mem.h"
#include "check/robust.h"

/* ---- blurred ---- */

#define FOCUS_WITHIN 2.5 /* spacings: further from its peak a tile is too soft to show a shake */
#define TILES_LEAST  20  /* that a frame is judged by; with fewer one depth edge decides */
#define SIDE_FRAMES  2   /* neighbours each side */

/* Value at z0 of the parabola through four neighbours (two a side), by least squares; a straight line through
 * two. */
static double predict(const double *z, const double *v, int n, double z0)
{
    double s[5] = {0}, y[3] = {0};
    for (int j = 0; j < n; j++) {
        const double u = z[j] - z0;
        double p = 1;
        for (int k = 0; k < 5; k++) {
            s[k] += p;
            if (k < 3) y[k] += p * v[j];
            p *= u;
        }
    }
    /* Cramer for the constant term of a + b u + c u^2. */
    const double det = s[0] * (s[2] * s[4] - s[3] * s[3]) - s[1] * (s[1] * s[4] - s[3] * s[2]) +
                       s[2] * (s[1] * s[3] - s[2] * s[2]);
    if (fabs(det) < 1e-9) return NAN;
    return (y[0] * (s[2] * s[4] - s[3] * s[3]) - s[1] * (y[1] * s[4] - s[3] * y[2]) +
            s[2] * (y[1] * s[3] - s[2] * y[2])) /
           det;
}

struct around {
    int32_t frame[2 * SIDE_FRAMES];
    double z[2 * SIDE_FRAMES];
    int n;
};

/* Two frames on each side; none when the frame is too near an end or a hole lies between. */
static bool find_around(const double *z, int32_t frames, int32_t i, struct around *out)
{
    out->n = 0;
    for (int32_t j = i - SIDE_FRAMES; j <= i + SIDE_FRAMES; j++) {
        if (j == i) continue;
        if (j < 0 || j >= frames || fabs(z[j] - z[i]) > SIDE_FRAMES + 2) return false;
        out->frame[out->n] = j;
        out->z[out->n++] = z[j];
    }
    return true;
}

/* ln of the signal less the common shape, at frame i against its neighbours. */
static double scale_loss(const struct tiles *t, const struct focus_shape *shape, int scale, int32_t tile,
                         double peak_z, const double *z, int32_t i, const struct around *a)
{
    double v[2 * SIDE_FRAMES];
    const double jitter = (double)t->jitter[scale][tile];
    for (int j = 0; j < a->n; j++) {
        const double e = tiles_signal(t, scale, tile, a->frame[j]);
        if (isnan(e) || e < 8 * jitter) return NAN;
        v[j] = log(e) - shape_log(shape, scale, a->z[j] - peak_z);
    }
    const double e = tiles_signal(t, scale, tile, i);
    if (isnan(e)) return NAN;
    return log(e) - shape_log(shape, scale, z[i] - peak_z) - predict(a->z, v, a->n, z[i]);
}

/* cos 2 theta and sin 2 theta parts of the change of the directions' energies against the neighbours. */
static bool direction_change(const struct tiles *t, int32_t tile, const double *z, int32_t i,
                             const struct around *a, double *cos_out, double *sin_out)
{
    double c = 0, s = 0;
    for (int d = 0; d < MEASURE_DIRECTIONS; d++) {
        double v[2 * SIDE_FRAMES];
        const float *e = &t->direction[(size_t)tile * (size_t)t->frames * MEASURE_DIRECTIONS];
        for (int j = 0; j < a->n; j++) {
            v[j] = log((double)e[a->frame[j] * MEASURE_DIRECTIONS + d]);
            if (!isfinite(v[j])) return false;
        }
        const double now = log((double)e[i * MEASURE_DIRECTIONS + d]);
        if (!isfinite(now)) return false;
        const double off = now - predict(a->z, v, a->n, z[i]);
        const double angle = 2 * M_PI * d / MEASURE_DIRECTIONS; /* twice the direction, of half a turn */
        c += off * cos(angle);
        s += off * sin(angle);
    }
    *cos_out = 2 * c / MEASURE_DIRECTIONS;
    *sin_out = 2 * s / MEASURE_DIRECTIONS;
    return true;
}

struct loss_room {
    double *fine, *coarse, *cosine, *sine;
};

static struct frame_loss frame_loss_at(const struct tiles *t, const struct tile_curve *curves,
                                       const struct focus_shape *shape, const double *z, int32_t i,
                                       const struct loss_room *r)
{
    struct frame_loss out = {.fine = NAN, .coarse = NAN, .direction = NAN};
    struct around a;
    int32_t n = 0, m = 0, d = 0;
    if (!find_around(z, t->frames, i, &a)) return out;
    for (int32_t tile = 0; tile < t->count; tile++) {
        const struct tile_curve *c = &curves[tile];
        if (c->scale < 0 || c->scale > 1 || c->peak_count != 1) continue;
        const int32_t below = (int32_t)floor(c->peak[0].at);
        const double frac = c->peak[0].at - below;
        const double peak_z = z[below] + (below + 1 < t->frames ? frac * (z[below + 1] - z[below]) : 0);
        if (fabs(peak_z - z[i]) > FOCUS_WITHIN) continue;
        const double fine = scale_loss(t, shape, c->scale, tile, peak_z, z, i, &a);
        const double coarse = scale_loss(t, shape, 3, tile, peak_z, z, i, &a);
        if (!isnan(fine)) r->fine[n++] = fine;
        if (!isnan(coarse)) r->coarse[m++] = coarse;
        if (direction_change(t, tile, z, i, &a, &r->cosine[d], &r->sine[d])) d++;
    }
    out.tiles = n;
    if (n < TILES_LEAST) return out;
    out.fine = robust_median(r->fine, n);
    out.coarse = m >= TILES_LEAST ? robust_median(r->coarse, m) : NAN;
    if (d >= TILES_LEAST) out.direction = hypot(robust_median(r->cosine, d), robust_median(r->sine, d));
    return out;
}

int frames_losses(const struct tiles *t, const struct tile_curve *curves, const struct focus_shape *shape,
                  const double *z, struct frame_loss *out, struct err *why)
{
    double *room = mem_new(4 * (size_t)t->count, sizeof *room, why);
    if (!room) return E_NOMEM;
    const struct loss_room r = {room, room + t->count, room + 2 * (size_t)t->count,
                                room + 3 * (size_t)t->count};
    for (int32_t i = 0; i < t->frames; i++)
        out[i] = frame_loss_at(t, curves, shape, z, i, &r);
    mem_free(room);
    return E_OK;
}

#define LOSS_LEAST                                                                                           \
    0.10 /* ln: 10 % of energy, 5 % of contrast; less is not seen (common practice, no source) */
#define DIRECTION_LEAST 0.08
#define SIGMAS          6.0 /* over a few hundred frames a Gaussian exceeds this never */

int frames_blurred(const struct frame_loss *loss, int32_t frames, bool *bad, int32_t *judged, struct err *why)
{
    double *room = mem_new(2 * (size_t)frames, sizeof *room, why);
    if (!room) return E_NOMEM;
    int32_t n = 0, m = 0;
    for (int32_t i = 0; i < frames; i++) {
        bad[i] = false;
        if (!isnan(loss[i].fine)) room[n++] = loss[i].fine;
        if (!isnan(loss[i].direction)) room[frames + m++] = loss[i].direction;
    }
    *judged = n;
    const double fine_sigma = robust_sigma(room, n);
    const double direction_usual = m ? robust_median(room + frames, m) : 0;
    const double fine_most = fmax(LOSS_LEAST, SIGMAS * fine_sigma);
    /* An amplitude of two Gaussian parts has its median at 1.18 sigma (Rayleigh). */
    const double direction_most = fmax(DIRECTION_LEAST, SIGMAS * direction_usual / 1.18);
    for (int32_t i = 0; i < frames; i++) {
        if (isnan(loss[i].fine)) continue;
        const double finer = loss[i].fine - (isnan(loss[i].coarse) ? 0 : fmin(loss[i].coarse, 0));
        const bool soft = loss[i].fine < -fine_most && finer < -fine_most / 2;
        const bool one_way = loss[i].direction > direction_most && loss[i].fine < -fine_most / 3;
        bad[i] = soft || one_way;
    }
    mem_free(room);
    return E_OK;
}

/* ---- shifted ---- */

#define SHIFT_LEAST_PX 0.5 /* merging programs take out less without loss: common practice, no source */
#define SHIFT_AROUND   5   /* frames each side that make the trend */

static bool shift_told(const struct frame_shift *s)
{
    return s->trust == SHIFT_GOOD;
}

/* Shift of frame i against the median of those around it. */
static bool shift_off_trend(const struct check_input *in, int32_t i, double *dx, double *dy)
{
    double x[2 * SHIFT_AROUND], y[2 * SHIFT_AROUND];
    int32_t n = 0;
    if (!shift_told(&in->measures[i]->shift)) return false;
    for (int32_t j = i - SHIFT_AROUND; j <= i + SHIFT_AROUND; j++) {
        if (j < 1 || j >= in->frames || j == i || !shift_told(&in->measures[j]->shift)) continue;
        x[n] = (double)in->measures[j]->shift.dx_px;
        y[n++] = (double)in->measures[j]->shift.dy_px;
    }
    if (n < 3) return false;
    *dx = (double)in->measures[i]->shift.dx_px - robust_median(x, n);
    *dy = (double)in->measures[i]->shift.dy_px - robust_median(y, n);
    return true;
}

int frames_shifted(const struct check_input *in, bool *bad, int32_t *judged, struct err *why)
{
    double *off = mem_new(3 * (size_t)in->frames, sizeof *off, why);
    if (!off) return E_NOMEM;
    double *dx = off, *dy = off + in->frames, *size = off + 2 * (size_t)in->frames;
    int32_t n = 0;
    for (int32_t i = 0; i < in->frames; i++) {
        bad[i] = false;
        dx[i] = dy[i] = NAN;
        if (i > 0 && shift_off_trend(in, i, &dx[i], &dy[i])) size[n++] = hypot(dx[i], dy[i]);
    }
    *judged = n;
    const double usual = n ? robust_median(size, n) : 0;
    const double most = fmax(SHIFT_LEAST_PX, SIGMAS * usual / 1.18);
    for (int32_t i = 1; i < in->frames; i++) {
        if (isnan(dx[i]) || hypot(dx[i], dy[i]) < most) continue;
        /* The way back after one shifted frame is no shift of its own. */
        const bool back =
            bad[i - 1] && hypot(dx[i] + dx[i - 1], dy[i] + dy[i - 1]) < 0.5 * hypot(dx[i], dy[i]);
        bad[i] = !back;
    }
    mem_free(off);
    return E_OK;
}

/* ---- light ---- */

#define JUMP_LEAST_STOPS                                                                                     \
    0.10 /* 7 % of light: an edge between merged frames shows; common practice, no source */
#define JUMP_AROUND 4

static double level_around(const double *v, int32_t from, int32_t to)
{
    double room[JUMP_AROUND];
    int32_t n = 0;
    for (int32_t i = from; i < to; i++)
        room[n++] = v[i];
    return robust_median(room, n);
}

/* Median step over the neighbours is the slope of one frame. */
static double local_jump(const double *v, int32_t frames, int32_t i)
{
    const int32_t from = i - JUMP_AROUND < 0 ? 0 : i - JUMP_AROUND,
                  to = i + JUMP_AROUND > frames ? frames : i + JUMP_AROUND;
    if (i - from < 2 || to - i < 2) return 0;
    return level_around(v, i, to) - level_around(v, from, i);
}

static int keep_jump(struct light_verdict *out, int32_t frame, struct err *why)
{
    int32_t *rows =
        mem_grow(out->jumps, (size_t)out->jump_count, (size_t)out->jump_count + 1, sizeof *rows, why);
    if (!rows) return E_NOMEM;
    out->jumps = rows;
    rows[out->jump_count++] = frame;
    return E_OK;
}

/* Takes the largest jumps off one by one, so that what is left is slope and scatter. */
static int take_jumps(double *v, int32_t frames, double *room, struct light_verdict *out, struct err *why)
{
    for (int32_t i = 1; i < frames; i++)
        room[i - 1] = fabs(v[i] - v[i - 1]);
    const double scatter = 1.4826 * robust_median(room, frames - 1) / sqrt(2.0);
    for (int32_t round = 0; round < frames; round++) {
        int32_t at = -1;
        double size = fmax(JUMP_LEAST_STOPS, SIGMAS * scatter);
        for (int32_t i = 1; i < frames; i++) {
            const double jump = local_jump(v, frames, i);
            /* A jump is made between two frames; a slope of the same size over several is none. */
            if (fabs(jump) > size && fabs(v[i] - v[i - 1]) > 0.7 * fabs(jump)) {
                size = fabs(jump);
                at = i;
            }
        }
        if (at < 0) return E_OK;
        int rc = keep_jump(out, at, why);
        if (rc) return rc;
        const double jump = v[at] - v[at - 1];
        for (int32_t i = at; i < frames; i++)
            v[i] -= jump;
    }
    return E_OK;
}

static void sort_frames(int32_t *rows, int32_t count)
{
    for (int32_t i = 1; i < count; i++)
        for (int32_t j = i; j > 0 && rows[j - 1] > rows[j]; j--) {
            const int32_t swap = rows[j];
            rows[j] = rows[j - 1];
            rows[j - 1] = swap;
        }
}

/* Slope over the stack by least squares on the levels without jumps and odd frames. */
static double slope_of(const double *v, const bool *odd, int32_t frames)
{
    double n = 0, x = 0, y = 0, xx = 0, xy = 0;
    for (int32_t i = 0; i < frames; i++) {
        if (odd[i]) continue;
        n++;
        x += i;
        y += v[i];
        xx += (double)i * i;
        xy += i * v[i];
    }
    const double det = n * xx - x * x;
    return det > 0 ? (n * xy - x * y) / det : 0;
}

int frames_light(const struct tiles *t, struct light_verdict *out, bool *odd, struct err *why)
{
    *out = (struct light_verdict){0};
    for (int32_t i = 0; i < t->frames; i++)
        odd[i] = false;
    if (t->frames < 3) return E_OK;
    double *v = mem_new(2 * (size_t)t->frames, sizeof *v, why);
    if (!v) return E_NOMEM;
    double *room = v + t->frames;
    for (int32_t i = 0; i < t->frames; i++)
        v[i] = t->light[i] / log(2.0);
    for (int32_t i = 1; i + 1 < t->frames; i++) {
        const double before = v[i] - v[i - 1], after = v[i] - v[i + 1];
        odd[i] = before * after > 0 && fmin(fabs(before), fabs(after)) > 5 * JUMP_LEAST_STOPS;
        if (odd[i]) v[i] = (v[i - 1] + v[i + 1]) / 2;
    }
    int rc = take_jumps(v, t->frames, room, out, why);
    if (!rc) {
        sort_frames(out->jumps, out->jump_count);
        const double slope = slope_of(v, odd, t->frames);
        out->slope_stops = slope * (t->frames - 1);
        /* From frame to frame, so that a bent drift is not taken for scatter. */
        for (int32_t i = 1; i < t->frames; i++)
            room[i - 1] = v[i] - v[i - 1];
        out->scatter_stops = robust_sigma(room, t->frames - 1) / sqrt(2.0);
    }
    mem_free(v);
    return rc;
}
