#include "image/register.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "image/register_part.h"

#define TILES_ACROSS    12
#define TILE_PX_LEAST   24
#define TILES           (TILES_ACROSS * TILES_ACROSS)
#define MARGIN          6 /* px of a level at its border that the band-pass has spoilt */
#define CANDIDATES      8
#define LOBE_PX         4 /* a rival of a peak is farther away than that */
#define RIVAL           0.85f
#define SEARCH_TILES    3
#define PERIOD_PX       256
#define ITERATIONS      8
#define SCALE_MOST      1.25
#define CONFIDENCE_NONE 0.25
#define CONFIDENCE_WEAK 0.5
#define LANES           8
#define TAPS            6 /* Lagrange, fifth order */

struct register_space {
    struct spectrum *spectrum;
    float *a, *b, *c; /* planes of the largest level seen */
    size_t room;
    float *weights;   /* TAPS per column */
    int32_t *columns; /* first sample of each column */
    float *row;
    size_t row_room;
    struct tile_sum tiles[TILES];
};

struct register_space *register_space_new(struct err *why)
{
    struct register_space *s = mem_new(1, sizeof *s, why);
    if (s && !(s->spectrum = spectrum_new(why))) {
        mem_free(s);
        return NULL;
    }
    return s;
}

static void free_buffers(struct register_space *s)
{
    mem_free(s->a);
    mem_free(s->b);
    mem_free(s->c);
    mem_free(s->weights);
    mem_free(s->columns);
    mem_free(s->row);
    s->a = s->b = s->c = s->weights = s->row = NULL;
    s->columns = NULL;
    s->room = s->row_room = 0;
}

void register_space_free(struct register_space *s)
{
    if (!s) return;
    free_buffers(s);
    spectrum_free(s->spectrum);
    mem_free(s);
}

static int make_room(struct register_space *s, const struct view_level *largest, struct err *why)
{
    const size_t n = (size_t)largest->width * (size_t)largest->height, w = (size_t)largest->width;
    const size_t least = PERIOD_PX * PERIOD_PX;
    if (s->room >= n && s->row_room >= w && s->room) return E_OK;
    free_buffers(s);
    const size_t room = n > least ? n : least;
    if (!(s->a = mem_new(room, sizeof *s->a, why)) || !(s->b = mem_new(room, sizeof *s->b, why)) ||
        !(s->c = mem_new(room, sizeof *s->c, why)) ||
        !(s->weights = mem_new(w * TAPS, sizeof *s->weights, why)) ||
        !(s->columns = mem_new(w, sizeof *s->columns, why)) || !(s->row = mem_new(w, sizeof *s->row, why))) {
        free_buffers(s);
        return E_NOMEM;
    }
    s->room = room;
    s->row_room = w;
    return E_OK;
}

/* ---- coarse: which whole-pixel shift of the smallest level ---- */

struct candidate {
    int32_t x, y;
    float height; /* of the phase correlation */
    double match; /* normalised correlation of the overlap */
};

static void windowed(const struct view_level *l, float *out)
{
    for (int32_t y = 0; y < l->height; y++) {
        const double wy = 0.5 - 0.5 * cos(2 * M_PI * (y + 0.5) / l->height);
        for (int32_t x = 0; x < l->width; x++) {
            const double wx = 0.5 - 0.5 * cos(2 * M_PI * (x + 0.5) / l->width);
            const size_t at = (size_t)y * (size_t)l->width + (size_t)x;
            out[at] = (float)(wx * wy * (double)l->plane[at]);
        }
    }
}

/* The highest peaks of a cyclic plane, each higher than its eight neighbours. */
static int find_candidates(const float *plane, int32_t width, int32_t height, struct candidate *out)
{
    int n = 0;
    for (int32_t y = 0; y < height; y++)
        for (int32_t x = 0; x < width; x++) {
            const float v = plane[(size_t)y * (size_t)width + (size_t)x];
            if (n == CANDIDATES && v <= out[n - 1].height) continue;
            bool top = true;
            for (int k = 0; k < 9 && top; k++) {
                const int32_t u = (x + k % 3 - 1 + width) % width, w = (y + k / 3 - 1 + height) % height;
                top = plane[(size_t)w * (size_t)width + (size_t)u] <= v;
            }
            if (!top) continue;
            int at = n < CANDIDATES ? n++ : n - 1;
            for (; at > 0 && out[at - 1].height < v; at--)
                out[at] = out[at - 1];
            out[at] =
                (struct candidate){x > width / 2 ? x - width : x, y > height / 2 ? y - height : y, v, 0};
        }
    return n;
}

struct box {
    int32_t x0, y0, x1, y1;
};

/* Normalised correlation of `before` inside the box with `now` shifted by whole pixels. */
static double match(const struct view_level *before, const struct view_level *now, struct box in, int32_t dx,
                    int32_t dy)
{
    double bb = 0, bn = 0, nn = 0;
    const int32_t x0 = in.x0 > MARGIN - dx ? in.x0 : MARGIN - dx,
                  y0 = in.y0 > MARGIN - dy ? in.y0 : MARGIN - dy;
    const int32_t right = now->width - MARGIN - dx, bottom = now->height - MARGIN - dy;
    const int32_t x1 = in.x1 < right ? in.x1 : right, y1 = in.y1 < bottom ? in.y1 : bottom;
    if ((int64_t)(x1 - x0) * (y1 - y0) < (int64_t)(in.x1 - in.x0) * (in.y1 - in.y0) / 4 || x1 <= x0 ||
        y1 <= y0)
        return 0;
    for (int32_t y = y0; y < y1; y++) {
        const float *b = before->plane + (size_t)y * (size_t)before->width;
        const float *n = now->plane + (size_t)(y + dy) * (size_t)now->width + dx;
        float sbb[LANES] = {0}, sbn[LANES] = {0}, snn[LANES] = {0};
        for (int32_t x = x0; x + LANES <= x1; x += LANES)
            for (int i = 0; i < LANES; i++) {
                sbb[i] += b[x + i] * b[x + i];
                sbn[i] += b[x + i] * n[x + i];
                snn[i] += n[x + i] * n[x + i];
            }
        for (int i = 0; i < LANES; i++) {
            bb += (double)sbb[i];
            bn += (double)sbn[i];
            nn += (double)snn[i];
        }
    }
    return bb > 0 && nn > 0 ? bn / sqrt(bb * nn) : 0;
}

static struct box whole(const struct view_level *l)
{
    return (struct box){MARGIN, MARGIN, l->width - MARGIN, l->height - MARGIN};
}

static bool far_apart(const struct candidate *a, const struct candidate *b)
{
    return abs(a->x - b->x) > LOBE_PX || abs(a->y - b->y) > LOBE_PX;
}

/* The candidate that matches best; *decisive when no other one comes near. */
static int coarse_shift(struct register_space *s, const struct view_level *before,
                        const struct view_level *now, struct candidate *best, bool *decisive, struct err *why)
{
    struct candidate found[CANDIDATES + 1];
    windowed(before, s->a);
    windowed(now, s->b);
    int rc = spectrum_phase_correlation(s->spectrum, before->width, before->height, s->a, s->b, 1, s->c, why);
    if (rc) return rc;
    int n = find_candidates(s->c, before->width, before->height, found);
    found[n++] = (struct candidate){0, 0, 0, 0};
    int top = 0;
    for (int i = 0; i < n; i++) {
        found[i].match = match(before, now, whole(before), found[i].x, found[i].y);
        if (found[i].match > found[top].match) top = i;
    }
    *decisive = found[top].match > 0;
    for (int i = 0; i < n; i++)
        if (far_apart(&found[i], &found[top]) && found[i].match > (double)RIVAL * found[top].match)
            *decisive = false;
    *best = found[top];
    return E_OK;
}

/* A coarse scale from the whole-pixel shifts of nine tiles around the common one. */
static void coarse_scale(const struct view_level *before, const struct view_level *now,
                         const struct candidate *common, struct warp *warp)
{
    struct tile_sum tiles[SEARCH_TILES * SEARCH_TILES];
    const int32_t reach = 2 + before->width / 40;
    int n = 0;
    for (int32_t r = 0; r < SEARCH_TILES; r++)
        for (int32_t c = 0; c < SEARCH_TILES; c++) {
            const int32_t w = before->width - 2 * MARGIN, h = before->height - 2 * MARGIN;
            const struct box in = {MARGIN + c * w / SEARCH_TILES, MARGIN + r * h / SEARCH_TILES,
                                   MARGIN + (c + 1) * w / SEARCH_TILES, MARGIN + (r + 1) * h / SEARCH_TILES};
            double best = 0;
            int32_t dx = 0, dy = 0;
            for (int32_t v = -reach; v <= reach; v++)
                for (int32_t u = -reach; u <= reach; u++) {
                    const double m = match(before, now, in, common->x + u, common->y + v);
                    if (m <= best) continue;
                    best = m;
                    dx = u;
                    dy = v;
                }
            tiles[n++] = (struct tile_sum){.x = (in.x0 + in.x1 - before->width) / 2.0,
                                           .y = (in.y0 + in.y1 - before->height) / 2.0,
                                           .xx = 1,
                                           .yy = 1,
                                           .bx = dx,
                                           .by = dy,
                                           .correlation = best};
        }
    *warp = (struct warp){common->x, common->y, 1};
    struct warp more;
    if (register_fit(tiles, n, 0.5, &more) && fabs(more.scale) * before->width > 1) {
        warp->dx += more.dx;
        warp->dy += more.dy;
        warp->scale += more.scale;
    }
}

/* ---- fine: least squares over tiles ---- */

/* Lagrange's weights for six samples at -2..3 around a fraction 0..1 between samples 0 and 1. */
static void lagrange(double f, float out[TAPS])
{
    for (int i = 0; i < TAPS; i++) {
        double w = 1;
        for (int k = 0; k < TAPS; k++)
            if (k != i) w *= (f - (k - 2)) / (i - k);
        out[i] = (float)w;
    }
}

/* First and one past the last coordinate whose image under the warp has all its samples inside. */
static void valid_range(int32_t count, double centre, double shift, double scale, int32_t *from, int32_t *to)
{
    const double low = (MARGIN - centre - shift) / scale + centre;
    const double high = (count - 1 - MARGIN - centre - shift) / scale + centre;
    *from = low > MARGIN ? (int32_t)ceil(low) : MARGIN;
    *to = high < count - 1 - MARGIN ? (int32_t)floor(high) + 1 : count - MARGIN;
}

/* Columns x0..x1 of one row: shift and scale keep axes apart, so runs of columns share their weights' offset.
 */
static void sample_row(const struct register_space *s, const float *restrict from, float *restrict out,
                       int32_t x0, int32_t x1)
{
    const float *restrict weights = s->weights;
    const size_t w = s->row_room;
    for (int32_t x = x0; x < x1;) {
        const int32_t step = s->columns[x] - x;
        int32_t end = x + 1;
        while (end < x1 && s->columns[end] - end == step)
            end++;
        const float *p = from + step;
        for (int32_t i = x; i < end; i++) {
            const size_t k = (size_t)i;
            out[i] = weights[k] * p[i] + weights[w + k] * p[i + 1] + weights[2 * w + k] * p[i + 2] +
                     weights[3 * w + k] * p[i + 3] + weights[4 * w + k] * p[i + 4] +
                     weights[5 * w + k] * p[i + 5];
        }
        x = end;
    }
}

/* Fills s->a with `now` seen through the warp, inside `in` (which is set). */
static bool warp_level(struct register_space *s, const struct view_level *now, const struct warp *warp,
                       double cx, double cy, struct box *in)
{
    const int32_t width = now->width;
    valid_range(width, cx, warp->dx, warp->scale, &in->x0, &in->x1);
    valid_range(now->height, cy, warp->dy, warp->scale, &in->y0, &in->y1);
    if (in->x1 - in->x0 < 3 * LANES || in->y1 - in->y0 < 3 * LANES) return false;
    for (int32_t x = in->x0; x < in->x1; x++) {
        const double at = cx + warp->scale * (x - cx) + warp->dx, base = floor(at);
        float tap[TAPS];
        lagrange(at - base, tap);
        s->columns[x] = (int32_t)base - 2;
        for (int i = 0; i < TAPS; i++)
            s->weights[(size_t)i * s->row_room + (size_t)x] = tap[i];
    }
    for (int32_t y = in->y0; y < in->y1; y++) {
        const double at = cy + warp->scale * (y - cy) + warp->dy, base = floor(at);
        float t[TAPS];
        lagrange(at - base, t);
        const float *restrict p = now->plane + (size_t)((int32_t)base - 2) * (size_t)width;
        float *restrict row = s->row;
        const int32_t w = width;
        for (int32_t x = 0; x < w; x++)
            row[x] = t[0] * p[x] + t[1] * p[x + w] + t[2] * p[x + 2 * w] + t[3] * p[x + 3 * w] +
                     t[4] * p[x + 4 * w] + t[5] * p[x + 5 * w];
        sample_row(s, row, s->a + (size_t)y * (size_t)width, in->x0, in->x1);
    }
    return true;
}

static double total(const float lane[LANES])
{
    double sum = 0;
    for (int i = 0; i < LANES; i++)
        sum += (double)lane[i];
    return sum;
}

/* How strong `now` has to be made to equal `before` here, and how alike they are. */
static double tile_gain(const float *b, const float *j, int32_t width, struct box in, double *correlation)
{
    double bb = 0, bj = 0, jj = 0;
    for (int32_t y = in.y0; y < in.y1; y++) {
        const float *p = b + (size_t)y * (size_t)width, *q = j + (size_t)y * (size_t)width;
        float sbb[LANES] = {0}, sbj[LANES] = {0}, sjj[LANES] = {0};
        for (int32_t x = in.x0; x + LANES <= in.x1; x += LANES)
            for (int i = 0; i < LANES; i++) {
                sbb[i] += p[x + i] * p[x + i];
                sbj[i] += p[x + i] * q[x + i];
                sjj[i] += q[x + i] * q[x + i];
            }
        bb += total(sbb);
        bj += total(sbj);
        jj += total(sjj);
    }
    *correlation = bb > 0 && jj > 0 ? bj / sqrt(bb * jj) : 0;
    return jj > 0 ? bj / jj : 0;
}

/* Gradients are the mean of both pictures', so the fit is as symmetric as the question. */
static void sum_tile(const float *b, const float *j, int32_t width, struct box in, struct tile_sum *t)
{
    const float gain = (float)tile_gain(b, j, width, in, &t->correlation);
    t->xx = t->xy = t->yy = t->bx = t->by = 0;
    for (int32_t y = in.y0; y < in.y1; y++) {
        const float *p = b + (size_t)y * (size_t)width, *q = j + (size_t)y * (size_t)width;
        const float *p0 = p - width, *p1 = p + width, *q0 = q - width, *q1 = q + width;
        float xx[LANES] = {0}, xy[LANES] = {0}, yy[LANES] = {0}, bx[LANES] = {0}, by[LANES] = {0};
        for (int32_t x = in.x0; x + LANES <= in.x1; x += LANES)
            for (int i = 0; i < LANES; i++) {
                const int32_t k = x + i;
                const float gx = 0.25f * (p[k + 1] - p[k - 1] + gain * (q[k + 1] - q[k - 1]));
                const float gy = 0.25f * (p1[k] - p0[k] + gain * (q1[k] - q0[k]));
                const float e = p[k] - gain * q[k];
                xx[i] += gx * gx;
                xy[i] += gx * gy;
                yy[i] += gy * gy;
                bx[i] += gx * e;
                by[i] += gy * e;
            }
        t->xx += total(xx);
        t->xy += total(xy);
        t->yy += total(yy);
        t->bx += total(bx);
        t->by += total(by);
    }
}

static int32_t tiles_along(int32_t length)
{
    const int32_t n = length / TILE_PX_LEAST;
    return n < 3 ? 3 : n > TILES_ACROSS ? TILES_ACROSS : n;
}

/* One correction of the warp; false when the level does not tell. */
static bool improve(struct register_space *s, const struct view_level *before, const struct view_level *now,
                    double cx, double cy, struct warp *warp, int *count, struct warp *step)
{
    struct box in;
    if (!warp_level(s, now, warp, cx, cy, &in)) return false;
    const struct box g = {in.x0 + 1, in.y0 + 1, in.x1 - 1, in.y1 - 1}; /* gradients look one further */
    const int32_t cols = tiles_along(g.x1 - g.x0), rows = tiles_along(g.y1 - g.y0);
    int n = 0;
    for (int32_t r = 0; r < rows; r++)
        for (int32_t c = 0; c < cols; c++) {
            const struct box tile = {g.x0 + c * (g.x1 - g.x0) / cols, g.y0 + r * (g.y1 - g.y0) / rows,
                                     g.x0 + (c + 1) * (g.x1 - g.x0) / cols,
                                     g.y0 + (r + 1) * (g.y1 - g.y0) / rows};
            struct tile_sum *t = &s->tiles[n++];
            t->x = (tile.x0 + tile.x1 - 1) / 2.0 - cx;
            t->y = (tile.y0 + tile.y1 - 1) / 2.0 - cy;
            sum_tile(before->plane, s->a, before->width, tile, t);
        }
    *count = n;
    if (!register_fit(s->tiles, n, 0.02, step)) return false;
    warp->dx += warp->scale * step->dx;
    warp->dy += warp->scale * step->dy;
    warp->scale *= 1 + step->scale;
    return warp->scale < SCALE_MOST && warp->scale > 1 / SCALE_MOST;
}

/* Share of the texture that agrees with the fit, times how alike the pictures are there. */
static double confidence_of(const struct tile_sum *tiles, int count)
{
    double all = 0, agreed = 0;
    for (int i = 0; i < count; i++) {
        const double energy = sqrt(tiles[i].xx + tiles[i].yy);
        all += energy;
        const double c = tiles[i].correlation;
        if (c > 0 && tiles[i].weight > 0) agreed += energy * sqrt(tiles[i].weight);
    }
    return all > 0 ? agreed / all : 0;
}

/* True when the middle of the level looks like itself a few pixels away: wallpaper. */
static int is_periodic(struct register_space *s, const struct view_level *l, bool *out, struct err *why)
{
    const int32_t w = (l->width < PERIOD_PX ? l->width : PERIOD_PX) & ~1,
                  h = (l->height < PERIOD_PX ? l->height : PERIOD_PX) & ~1;
    const int32_t x0 = (l->width - w) / 2, y0 = (l->height - h) / 2;
    for (int32_t y = 0; y < h; y++)
        memcpy(s->b + (size_t)y * (size_t)w, l->plane + (size_t)(y0 + y) * (size_t)l->width + x0,
               (size_t)w * sizeof *s->b);
    int rc = spectrum_autocorrelation(s->spectrum, w, h, s->b, s->c, why);
    if (rc) return rc;
    struct candidate found[CANDIDATES];
    const int n = find_candidates(s->c, w, h, found);
    *out = false;
    for (int i = 0; i < n; i++)
        if ((abs(found[i].x) > LOBE_PX || abs(found[i].y) > LOBE_PX) && found[i].height > 0.7f) *out = true;
    return E_OK;
}

static enum shift_trust trust_of(double confidence, bool decisive, bool periodic)
{
    if (!decisive && periodic) return SHIFT_AMBIGUOUS;
    if (confidence < CONFIDENCE_NONE) return SHIFT_NONE;
    return confidence < CONFIDENCE_WEAK || !decisive ? SHIFT_WEAK : SHIFT_GOOD;
}

/* From the smallest level to the largest; false when one of them does not tell. */
static bool refine(struct register_space *s, const struct register_view *before,
                   const struct register_view *now, struct warp *warp, int *tiles)
{
    for (int i = before->levels - 1; i >= 0; i--) {
        const double pixel = (double)before->factor * (1 << i);
        const double cx = before->full_width / (2 * pixel) - 0.5,
                     cy = before->full_height / (2 * pixel) - 0.5;
        const double enough = i ? 0.05 : 0.002;
        for (int k = 0; k < ITERATIONS; k++) {
            struct warp step;
            if (!improve(s, &before->level[i], &now->level[i], cx, cy, warp, tiles, &step)) return false;
            if (fabs(step.dx) < enough && fabs(step.dy) < enough && fabs(step.scale) * cx < enough) break;
        }
        if (i) {
            warp->dx *= 2;
            warp->dy *= 2;
        }
    }
    return true;
}

int register_shift(struct register_space *s, const struct register_view *before,
                   const struct register_view *now, struct frame_shift *out, struct err *why)
{
    if (before->full_width != now->full_width || before->full_height != now->full_height)
        return fail(
            why, E_INPUT, "a picture of %d x %d pixels cannot be registered to one of %d x %d; keep one size",
            (int)now->full_width, (int)now->full_height, (int)before->full_width, (int)before->full_height);
    int rc = make_room(s, &before->level[0], why);
    if (rc) return rc;
    const int last = before->levels - 1;
    struct candidate common;
    bool decisive, periodic;
    struct warp warp;
    int tiles = 0;
    if ((rc = coarse_shift(s, &before->level[last], &now->level[last], &common, &decisive, why))) return rc;
    coarse_scale(&before->level[last], &now->level[last], &common, &warp);
    struct frame_shift shift = {.trust = SHIFT_NONE, .scale = 1};
    const bool told = refine(s, before, now, &warp, &tiles);
    if ((rc = is_periodic(s, &before->level[0], &periodic, why))) return rc;
    if (told) shift.confidence = (float)confidence_of(s->tiles, tiles);
    shift.trust = trust_of((double)shift.confidence, decisive, periodic);
    if (told && shift.trust != SHIFT_NONE) {
        shift.dx_px = (float)(warp.dx * before->factor);
        shift.dy_px = (float)(warp.dy * before->factor);
        shift.scale = (float)warp.scale;
    }
    *out = shift;
    return E_OK;
}

const char *shift_trust_name(enum shift_trust trust)
{
    static const char *const names[] = {"none", "weak", "ambiguous", "good"};
    return names[trust];
}

int register_phase_correlation(struct register_space *s, int32_t width, int32_t height, const float *before,
                               const float *now, float *out, struct err *why)
{
    return spectrum_phase_correlation(s->spectrum, width, height, before, now, 0, out, why);
}
