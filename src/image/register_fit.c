/* register_fit.c - the shift and scale that most tiles agree on: weighted least squares, weights renewed by
 * Tukey's biweight of each tile's deviation (Beaton and Tukey 1974, from memory). */
#include <math.h>

#include "base/select.h"
#include "image/register_part.h"

#define ROUNDS     8
#define TILES_MOST REGISTER_TILES

/* Solves a symmetric 3 x 3 system by Cramer's rule, with the diagonal of its inverse; false when it is nearly
 * singular.
 */
static bool solve_3(double m[3][3], const double b[3], double out[3], double inverse[3])
{
    const double c0 = m[1][1] * m[2][2] - m[1][2] * m[1][2];
    const double c1 = m[0][2] * m[1][2] - m[0][1] * m[2][2];
    const double c2 = m[0][1] * m[1][2] - m[0][2] * m[1][1];
    const double det = m[0][0] * c0 + m[0][1] * c1 + m[0][2] * c2;
    if (!(fabs(det) > 1e-9 * m[0][0] * m[1][1] * m[2][2])) return false;
    const double d0 = m[0][0] * m[2][2] - m[0][2] * m[0][2];
    const double d1 = m[0][1] * m[0][2] - m[0][0] * m[1][2];
    const double e0 = m[0][0] * m[1][1] - m[0][1] * m[0][1];
    inverse[0] = c0 / det;
    inverse[1] = d0 / det;
    inverse[2] = e0 / det;
    out[0] = (c0 * b[0] + c1 * b[1] + c2 * b[2]) / det;
    out[1] = (c1 * b[0] + d0 * b[1] + d1 * b[2]) / det;
    out[2] = (c2 * b[0] + d1 * b[1] + e0 * b[2]) / det;
    return true;
}

static bool weighted_fit(const struct tile_sum *tiles, int count, struct warp *out, struct warp *variance)
{
    double m[3][3] = {{0}}, b[3] = {0}, got[3], inverse[3];
    for (int i = 0; i < count; i++) {
        const struct tile_sum *t = &tiles[i];
        const double w = t->weight * t->certainty;
        m[0][0] += w * t->xx;
        m[0][1] += w * t->xy;
        m[1][1] += w * t->yy;
        m[0][2] += w * (t->xx * t->x + t->xy * t->y);
        m[1][2] += w * (t->xy * t->x + t->yy * t->y);
        m[2][2] += w * (t->xx * t->x * t->x + 2 * t->xy * t->x * t->y + t->yy * t->y * t->y);
        b[0] += w * t->bx;
        b[1] += w * t->by;
        b[2] += w * (t->bx * t->x + t->by * t->y);
    }
    m[1][0] = m[0][1];
    m[2][0] = m[0][2];
    m[2][1] = m[1][2];
    if (!solve_3(m, b, got, inverse)) return false;
    *out = (struct warp){got[0], got[1], got[2]};
    *variance = (struct warp){inverse[0], inverse[1], inverse[2]};
    return true;
}

/* How far the tile's own shift lies from the fit along the directions in which the tile has texture, in its
 * own sigmas.
 */
static double deviation(const struct tile_sum *t, const struct warp *fit)
{
    const double trace = t->xx + t->yy;
    if (!(trace > 0)) return INFINITY;
    const double keep = 1e-3 * trace; /* for tiles with texture in one direction only */
    const double det = (t->xx + keep) * (t->yy + keep) - t->xy * t->xy;
    const double sx = ((t->yy + keep) * t->bx - t->xy * t->by) / det - (fit->dx + fit->scale * t->x);
    const double sy = ((t->xx + keep) * t->by - t->xy * t->bx) / det - (fit->dy + fit->scale * t->y);
    const double energy = t->xx * sx * sx + 2 * t->xy * sx * sy + t->yy * sy * sy;
    return sqrt(energy > 0 ? energy * t->certainty : 0);
}

bool register_fit(struct tile_sum *tiles, int count, double tight, struct warp *correction,
                  struct warp *error)
{
    double off[TILES_MOST], known[TILES_MOST];
    if (count > TILES_MOST) count = TILES_MOST;
    for (int i = 0; i < count; i++)
        tiles[i].weight = tiles[i].correlation > 0 ? 1 : 0;
    struct warp fit, variance;
    double scatter = 1;
    if (!weighted_fit(tiles, count, &fit, &variance)) return false;
    for (int round = 0; round < ROUNDS; round++) {
        int n = 0;
        for (int i = 0; i < count; i++) {
            off[i] = deviation(&tiles[i], &fit);
            if (tiles[i].correlation > 0.2 && isfinite(off[i])) known[n++] = off[i];
        }
        if (n < 3) return false;
        /* The median of |deviation| in two dimensions is 1.18 sigma; Tukey's 4.69 sigma. */
        scatter = select_kth(known, n, n / 2) / 1.18;
        const double reach = 4.69 * fmax(scatter, tight);
        for (int i = 0; i < count; i++) {
            const double u = off[i] / reach;
            tiles[i].weight = u < 1 && tiles[i].correlation > 0 ? (1 - u * u) * (1 - u * u) : 0;
        }
        if (!weighted_fit(tiles, count, &fit, &variance)) return false;
    }
    const double wide = fmax(scatter, 1);
    *error = (struct warp){wide * sqrt(variance.dx), wide * sqrt(variance.dy), wide * sqrt(variance.scale)};
    *correction = fit;
    return true;
}
