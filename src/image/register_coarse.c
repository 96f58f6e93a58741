/* register_coarse.c - which whole-pixel shift and which rough scale of the smallest level to start from, and
 * whether the texture repeats. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/fast.h"
#include "image/register_part.h"

#define CANDIDATES   8
#define LOBE_PX      4 /* a rival of a peak is farther away than that */
#define RIVAL        0.85
#define REPEATS      0.7f /* autocorrelation of wallpaper; photographs stay below */
#define SEARCH_TILES 3

struct candidate {
    int32_t x, y;
    float height; /* of the phase correlation */
    double match; /* normalised correlation of the overlap */
};

/* Hann's window, so that the borders, which do not belong to each other, do not speak. `across` holds a row.
 */
static void windowed(const struct view_level *l, float *across, float *out)
{
    for (int32_t x = 0; x < l->width; x++)
        across[x] = (float)(0.5 - 0.5 * cos(2 * M_PI * (x + 0.5) / l->width));
    for (int32_t y = 0; y < l->height; y++) {
        const float down = (float)(0.5 - 0.5 * cos(2 * M_PI * (y + 0.5) / l->height));
        for (int32_t x = 0; x < l->width; x++) {
            const size_t at = (size_t)y * (size_t)l->width + (size_t)x;
            out[at] = across[x] * down * l->plane[at];
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

/* Normalised correlation of `before` inside the box with `now` shifted by whole pixels. */
FAST static double match(const struct view_level *before, const struct view_level *now, struct box in,
                         int32_t dx, int32_t dy)
{
    double bb = 0, bn = 0, nn = 0;
    const int32_t x0 = in.x0 > REGISTER_MARGIN - dx ? in.x0 : REGISTER_MARGIN - dx,
                  y0 = in.y0 > REGISTER_MARGIN - dy ? in.y0 : REGISTER_MARGIN - dy;
    const int32_t right = now->width - REGISTER_MARGIN - dx, bottom = now->height - REGISTER_MARGIN - dy;
    const int32_t x1 = in.x1 < right ? in.x1 : right, y1 = in.y1 < bottom ? in.y1 : bottom;
    if ((int64_t)(x1 - x0) * (y1 - y0) < (int64_t)(in.x1 - in.x0) * (in.y1 - in.y0) / 4 || x1 <= x0 ||
        y1 <= y0)
        return 0;
    for (int32_t y = y0; y < y1; y++) {
        const float *b = before->plane + (size_t)y * (size_t)before->width;
        const float *n = now->plane + (size_t)(y + dy) * (size_t)now->width + dx;
        float sbb[REGISTER_LANES] = {0}, sbn[REGISTER_LANES] = {0}, snn[REGISTER_LANES] = {0};
        for (int32_t x = x0; x + REGISTER_LANES <= x1; x += REGISTER_LANES)
            for (int i = 0; i < REGISTER_LANES; i++) {
                sbb[i] += b[x + i] * b[x + i];
                sbn[i] += b[x + i] * n[x + i];
                snn[i] += n[x + i] * n[x + i];
            }
        for (int i = 0; i < REGISTER_LANES; i++) {
            bb += (double)sbb[i];
            bn += (double)sbn[i];
            nn += (double)snn[i];
        }
    }
    return bb > 0 && nn > 0 ? bn / sqrt(bb * nn) : 0;
}

static struct box whole(const struct view_level *l)
{
    return (struct box){REGISTER_MARGIN, REGISTER_MARGIN, l->width - REGISTER_MARGIN,
                        l->height - REGISTER_MARGIN};
}

static bool far_apart(const struct candidate *a, const struct candidate *b)
{
    return abs(a->x - b->x) > LOBE_PX || abs(a->y - b->y) > LOBE_PX;
}

int register_coarse_shift(struct register_space *s, const struct view_level *before,
                          const struct view_level *now, struct whole_shift *best, bool *decisive,
                          struct err *why)
{
    struct candidate found[CANDIDATES + 1];
    windowed(before, s->row, s->a);
    windowed(now, s->row, s->b);
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
        if (far_apart(&found[i], &found[top]) && found[i].match > RIVAL * found[top].match) *decisive = false;
    *best = (struct whole_shift){found[top].x, found[top].y};
    return E_OK;
}

void register_coarse_scale(const struct view_level *before, const struct view_level *now,
                           const struct whole_shift *common, struct warp *warp)
{
    struct tile_sum tiles[SEARCH_TILES * SEARCH_TILES];
    const int32_t reach = 2 + before->width / 40;
    int n = 0;
    for (int32_t r = 0; r < SEARCH_TILES; r++)
        for (int32_t c = 0; c < SEARCH_TILES; c++) {
            const int32_t w = before->width - 2 * REGISTER_MARGIN, h = before->height - 2 * REGISTER_MARGIN;
            const struct box in = {
                REGISTER_MARGIN + c * w / SEARCH_TILES, REGISTER_MARGIN + r * h / SEARCH_TILES,
                REGISTER_MARGIN + (c + 1) * w / SEARCH_TILES, REGISTER_MARGIN + (r + 1) * h / SEARCH_TILES};
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
                                           .certainty = 1,
                                           .correlation = best};
        }
    *warp = (struct warp){common->x, common->y, 1};
    struct warp more, error;
    if (register_fit(tiles, n, 0.5, &more, &error) && fabs(more.scale) * before->width > 1) {
        warp->dx += more.dx;
        warp->dy += more.dy;
        warp->scale += more.scale;
    }
}

int register_is_periodic(struct register_space *s, const struct view_level *l, bool *out, struct err *why)
{
    const int32_t w = (l->width < REGISTER_PERIOD_PX ? l->width : REGISTER_PERIOD_PX) & ~1,
                  h = (l->height < REGISTER_PERIOD_PX ? l->height : REGISTER_PERIOD_PX) & ~1;
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
        if ((abs(found[i].x) > LOBE_PX || abs(found[i].y) > LOBE_PX) && found[i].height > REPEATS)
            *out = true;
    return E_OK;
}
