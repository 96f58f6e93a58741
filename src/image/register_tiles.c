/* register_tiles.c - one correction of the warp by least squares over tiles. */
#include <math.h>

#include "base/fast.h"
#include "image/register_part.h"

#define TILES_ACROSS  20
#define TILE_PX_LEAST 24
#define SCALE_MOST    1.25
/* Of a tile's own sigma: deviations below that are not doubted. With half of it the few tiles that happen to
 * agree decide the scale of a stack's nearest frames; with twice of it blurred tiles decide that of one hair.
 */
#define TIGHT      0.7
#define LEFT_LEAST 0.01 /* what rounding to 8 bit leaves, (code value)^2 after the band-pass */
/* Noise after the band-pass is alike over 4 pi sigma^2 = 25 px, so that a tile has so many fewer pixels that
 * tell; eight times that, since out of focus most of what the fit leaves is no noise: on rendered stacks a
 * tile's shift is off as if by 60 to 100, and its neighbours' with it. Without it a hundred tiles that show
 * next to nothing outvote the few that are in focus. */
#define NOISE_AREA 200
#define DOUBT_PX   0.06 /* error of any tile whose focus changes; 0 to 0.2 were tried on rendered stacks */
#define TAPS       REGISTER_TAPS

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
    const double low = (REGISTER_MARGIN - centre - shift) / scale + centre;
    const double high = (count - 1 - REGISTER_MARGIN - centre - shift) / scale + centre;
    *from = low > REGISTER_MARGIN ? (int32_t)ceil(low) : REGISTER_MARGIN;
    *to = high < count - 1 - REGISTER_MARGIN ? (int32_t)floor(high) + 1 : count - REGISTER_MARGIN;
}

/* Columns x0..x1 of one row: shift and scale keep axes apart, so runs of columns share their weights' offset.
 */
FAST static void sample_row(const struct register_space *s, const float *restrict from, float *restrict out,
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
    if (in->x1 - in->x0 < 3 * REGISTER_LANES || in->y1 - in->y0 < 3 * REGISTER_LANES) return false;
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

/* Sums over a tile: products of the mean picture's gradients gx, gy, of its Laplacian l and of itself m with
 * each other and with the difference e = before - now. */
enum product {
    S_GX_GX,
    S_GX_GY,
    S_GY_GY,
    S_GX_L,
    S_GY_L,
    S_L_L,
    S_GX_M,
    S_GY_M,
    S_L_M,
    S_M_M,
    S_GX_E,
    S_GY_E,
    S_L_E,
    S_M_E,
    S_E_E,
    PRODUCTS
};

FAST static void add_row(const float *b, const float *j, int32_t width, int32_t x0, int32_t x1,
                         double sum[PRODUCTS])
{
    float lane[PRODUCTS][REGISTER_LANES] = {{0}};
    for (int32_t x = x0; x + REGISTER_LANES <= x1; x += REGISTER_LANES)
        for (int i = 0; i < REGISTER_LANES; i++) {
            const float *p = b + x + i, *q = j + x + i;
            const float left = p[-1] + q[-1], right = p[1] + q[1], up = p[-width] + q[-width],
                        down = p[width] + q[width];
            const float m = 0.5f * (p[0] + q[0]), e = p[0] - q[0];
            const float gx = 0.25f * (right - left), gy = 0.25f * (down - up);
            const float l = 0.5f * (left + right + up + down) - 4 * m;
            lane[S_GX_GX][i] += gx * gx;
            lane[S_GX_GY][i] += gx * gy;
            lane[S_GY_GY][i] += gy * gy;
            lane[S_GX_L][i] += gx * l;
            lane[S_GY_L][i] += gy * l;
            lane[S_L_L][i] += l * l;
            lane[S_GX_M][i] += gx * m;
            lane[S_GY_M][i] += gy * m;
            lane[S_L_M][i] += l * m;
            lane[S_M_M][i] += m * m;
            lane[S_GX_E][i] += gx * e;
            lane[S_GY_E][i] += gy * e;
            lane[S_L_E][i] += l * e;
            lane[S_M_E][i] += m * e;
            lane[S_E_E][i] += e * e;
        }
    for (int k = 0; k < PRODUCTS; k++)
        for (int i = 0; i < REGISTER_LANES; i++)
            sum[k] += (double)lane[k][i];
}

/* Takes one explanation out of the equations of the others (a step of Gauss's elimination). */
struct unknown {
    double x, y, other, e, self; /* its products with gx, gy, the other unknown, e, itself */
};

static void take_out(struct tile_sum *t, struct unknown u, struct unknown *other, double *left)
{
    if (!(u.self > 0)) return;
    t->xx -= u.x * u.x / u.self;
    t->xy -= u.x * u.y / u.self;
    t->yy -= u.y * u.y / u.self;
    t->bx -= u.x * u.e / u.self;
    t->by -= u.y * u.e / u.self;
    *left -= u.e * u.e / u.self;
    if (!other) return;
    other->x -= u.x * u.other / u.self;
    other->y -= u.y * u.other / u.self;
    other->e -= u.e * u.other / u.self;
    other->self -= u.other * u.other / u.self;
}

/* B - J = (gx, gy) shift + gain m + blur l: a gain explains light, the Laplacian a change of focus, so
 * neither pretends to be a shift where a tile's texture is lopsided. */
static void sum_tile(const float *b, const float *j, int32_t width, struct box in, struct tile_sum *t)
{
    double s[PRODUCTS] = {0};
    for (int32_t y = in.y0; y < in.y1; y++)
        add_row(b + (size_t)y * (size_t)width, j + (size_t)y * (size_t)width, width, in.x0, in.x1, s);
    t->xx = s[S_GX_GX];
    t->xy = s[S_GX_GY];
    t->yy = s[S_GY_GY];
    t->bx = s[S_GX_E];
    t->by = s[S_GY_E];
    double left = s[S_E_E];
    struct unknown gain = {s[S_GX_M], s[S_GY_M], s[S_L_M], s[S_M_E], s[S_M_M]};
    struct unknown blur = {s[S_GX_L], s[S_GY_L], s[S_L_M], s[S_L_E], s[S_L_L]};
    take_out(t, gain, &blur, &left);
    take_out(t, blur, NULL, &left);
    const double bb = s[S_M_M] + s[S_M_E] + s[S_E_E] / 4, jj = s[S_M_M] - s[S_M_E] + s[S_E_E] / 4;
    t->correlation = bb > 0 && jj > 0 ? (s[S_M_M] - s[S_E_E] / 4) / sqrt(bb * jj) : 0;
    const double c = t->correlation, n = (double)(in.x1 - in.x0) * (in.y1 - in.y0);
    t->certainty = c > 0 ? c * c /
                               (NOISE_AREA * ((left > 0 ? left / n : 0) + LEFT_LEAST) +
                                (t->xx + t->yy) / 2 * DOUBT_PX * DOUBT_PX)
                         : 0;
}

static int32_t tiles_along(int32_t length)
{
    const int32_t n = length / TILE_PX_LEAST;
    return n < 3 ? 3 : n > TILES_ACROSS ? TILES_ACROSS : n;
}

bool register_improve(struct register_space *s, const struct view_level *before, const struct view_level *now,
                      double cx, double cy, struct warp *warp, int *count, struct warp *step,
                      struct warp *error)
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
    if (!register_fit(s->tiles, n, TIGHT, step, error)) return false;
    warp->dx += warp->scale * step->dx;
    warp->dy += warp->scale * step->dy;
    warp->scale *= 1 + step->scale;
    return warp->scale < SCALE_MOST && warp->scale > 1 / SCALE_MOST;
}
