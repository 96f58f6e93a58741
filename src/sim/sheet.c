#include "sim/sheet.h"

#include <math.h>
#include <string.h>

#include "base/mem.h"

/* --- building --- */

/* Turns samples along a line into coefficients of the cubic spline through them (the classic recursive filter
 * with the pole sqrt(3) - 2), mirrored at the ends. */
static void spline_line(v4 *c, int32_t n, ptrdiff_t stride)
{
    static const float pole = -0.26794919243f;
    if (n < 2) return;
    v4 z = v4_all(pole), power = z, sum = c[0];
    for (int32_t i = 1; i < n && i < 16; i++) {
        sum += power * c[i * stride];
        power *= z;
    }
    c[0] = sum;
    for (int32_t i = 1; i < n; i++)
        c[i * stride] += z * c[(i - 1) * stride];
    c[(n - 1) * stride] = z / (z * z - 1.0f) * (c[(n - 1) * stride] + z * c[(n - 2) * stride]);
    for (int32_t i = n - 2; i >= 0; i--)
        c[i * stride] = z * (c[(i + 1) * stride] - c[i * stride]);
    for (int32_t i = 0; i < n; i++)
        c[i * stride] *= v4_all(6);
}

static void spline_plane(v4 *c, int32_t w, int32_t h)
{
    for (int32_t y = 0; y < h; y++)
        spline_line(c + (size_t)y * (size_t)w, w, 1);
    for (int32_t x = 0; x < w; x++)
        spline_line(c + x, h, w);
}

static void quantise(s4 *to, const v4 *from, size_t n)
{
    const v4 most = v4_all(32767.0f / SHEET_ONE);
    for (size_t i = 0; i < n; i++) {
        v4 x = v4_max(v4_min(from[i], most), -most) * v4_all(SHEET_ONE);
        x += v4_pick(x < v4_all(0), v4_all(-0.5f), v4_all(0.5f));
        to[i] = __builtin_convertvector(x, s4);
    }
}

/* The mean of each square of four; of relief (may be NULL) by coverage. */
static void halve(const v4 *rgba, const float *relief, int32_t w, int32_t h, v4 *rgba_out, float *relief_out)
{
    for (int32_t y = 0; y < h / 2; y++) {
        size_t i = (size_t)(2 * y) * (size_t)w, below = i + (size_t)w, o = (size_t)y * (size_t)(w / 2);
        for (int32_t x = 0; x < w / 2; x++, i += 2, below += 2, o++) {
            v4 a = rgba[i], b = rgba[i + 1], c = rgba[below], d = rgba[below + 1];
            rgba_out[o] = (a + b + c + d) * v4_all(0.25f);
            if (!relief) continue;
            float wa = a[3] + 1e-6f, wb = b[3] + 1e-6f, wc = c[3] + 1e-6f, wd = d[3] + 1e-6f;
            float sum = relief[i] * wa + relief[i + 1] * wb + relief[below] * wc + relief[below + 1] * wd;
            relief_out[o] = sum / (wa + wb + wc + wd);
        }
    }
}

static void note_tiles(struct sheet *s, const v4 *rgba, const float *relief)
{
    int32_t w = s->at.x1 - s->at.x0;
    for (int32_t ty = 0; ty < s->tile_rows; ty++) {
        for (int32_t tx = 0; tx < s->tile_cols; tx++) {
            struct sheet_tile t = {INFINITY, -INFINITY, false, true};
            for (int32_t y = ty * SHEET_TILE; y < (ty + 1) * SHEET_TILE; y++) {
                for (int32_t x = tx * SHEET_TILE; x < (tx + 1) * SHEET_TILE; x++) {
                    size_t i = (size_t)y * (size_t)w + (size_t)x;
                    float cover = rgba[i][3];
                    if (cover < 0.999f) t.all = false;
                    if (cover <= 0) continue;
                    float z = (float)sheet_plane_um(s, s->at.x0 + x, s->at.y0 + y) + (relief ? relief[i] : 0);
                    t.any = true;
                    t.nearest_um = fminf(t.nearest_um, z);
                    t.farthest_um = fmaxf(t.farthest_um, z);
                }
            }
            s->tiles[ty * s->tile_cols + tx] = t;
        }
    }
}

static int make_level(struct sheet_level *l, int32_t w, int32_t h, bool relief, struct err *why)
{
    size_t n = (size_t)w * (size_t)h;
    *l = (struct sheet_level){.w = w, .h = h};
    l->rgba = mem_new(n, sizeof *l->rgba, why);
    if (relief) l->relief_um = mem_new(n, sizeof *l->relief_um, why);
    return l->rgba && (!relief || l->relief_um) ? E_OK : E_NOMEM;
}

int sheet_build(struct sheet *s, v4 *rgba, const float *relief_um, struct err *why)
{
    int32_t w = s->at.x1 - s->at.x0, h = s->at.y1 - s->at.y0;
    size_t n = (size_t)w * (size_t)h;
    int rc = E_OK;
    v4 *now = rgba, *next = NULL;
    s->tile_cols = w / SHEET_TILE;
    s->tile_rows = h / SHEET_TILE;
    s->tiles = mem_new((size_t)s->tile_cols * (size_t)s->tile_rows, sizeof *s->tiles, why);
    if (!s->tiles) rc = E_NOMEM;
    for (int l = 0; l < SHEET_LEVELS && !rc; l++)
        rc = make_level(&s->level[l], w >> l, h >> l, relief_um != NULL, why);
    if (!rc) note_tiles(s, rgba, relief_um);
    if (!rc && relief_um) memcpy(s->level[0].relief_um, relief_um, n * sizeof *relief_um);
    for (int l = 0; l < SHEET_LEVELS && !rc; l++) {
        struct sheet_level *level = &s->level[l];
        n = (size_t)level->w * (size_t)level->h;
        if (l + 1 < SHEET_LEVELS) {
            if (!(next = mem_new(n / 4, sizeof *next, why))) rc = E_NOMEM;
            if (next) halve(now, level->relief_um, level->w, level->h, next, s->level[l + 1].relief_um);
        }
        spline_plane(now, level->w, level->h);
        quantise(level->rgba, now, n);
        if (now != rgba) mem_free(now);
        now = next;
        next = NULL;
    }
    if (now != rgba) mem_free(now);
    if (rc) sheet_clear(s);
    return rc;
}

void sheet_clear(struct sheet *s)
{
    for (int l = 0; l < SHEET_LEVELS; l++) {
        mem_free(s->level[l].rgba);
        mem_free(s->level[l].relief_um);
    }
    mem_free(s->tiles);
    mem_free(s->unknown);
    memset(s, 0, sizeof *s);
}

static int32_t down(int32_t x)
{
    return x >= 0 ? x / SHEET_ALIGN * SHEET_ALIGN : -((-x + SHEET_ALIGN - 1) / SHEET_ALIGN * SHEET_ALIGN);
}

struct rect rect_aligned(struct rect c, struct rect room)
{
    struct rect r = {down(c.x0 - SHEET_ALIGN), down(c.y0 - SHEET_ALIGN), down(c.x1 + 2 * SHEET_ALIGN - 1),
                     down(c.y1 + 2 * SHEET_ALIGN - 1)};
    if (r.x0 < room.x0) r.x0 = room.x0;
    if (r.y0 < room.y0) r.y0 = room.y0;
    if (r.x1 > room.x1) r.x1 = room.x1;
    if (r.y1 > room.y1) r.y1 = room.y1;
    if (r.x1 < r.x0 + SHEET_ALIGN) r.x1 = r.x0 + SHEET_ALIGN;
    if (r.y1 < r.y0 + SHEET_ALIGN) r.y1 = r.y0 + SHEET_ALIGN;
    return r;
}

/* --- looking --- */

double sheet_mirrored(double x, int32_t lo, int32_t hi)
{
    double from = lo - 0.5, size = hi - lo;
    if (x >= from && x <= from + size) return x;
    double t = fmod(x - from, 2 * size);
    if (t < 0) t += 2 * size;
    return from + (t > size ? 2 * size - t : t);
}

struct sheet_tile sheet_bounds(const struct sheet *s, double x0, double y0, double x1, double y1)
{
    struct sheet_tile sum = {INFINITY, -INFINITY, false, true};
    bool folded = x0 < s->room.x0 || y0 < s->room.y0 || x1 >= s->room.x1 || y1 >= s->room.y1;
    if (folded) {
        /* Beyond the scene: whatever a mirror may show. */
        double size_x = s->room.x1 - s->room.x0, size_y = s->room.y1 - s->room.y0;
        double ax = sheet_mirrored(x0, s->room.x0, s->room.x1),
               bx = sheet_mirrored(x1, s->room.x0, s->room.x1);
        double ay = sheet_mirrored(y0, s->room.y0, s->room.y1),
               by = sheet_mirrored(y1, s->room.y0, s->room.y1);
        double over_x = fmin(x1 - x0, size_x), over_y = fmin(y1 - y0, size_y);
        x0 = fmax(fmin(ax, bx) - over_x, s->room.x0);
        x1 = fmin(fmax(ax, bx) + over_x, s->room.x1 - 1);
        y0 = fmax(fmin(ay, by) - over_y, s->room.y0);
        y1 = fmin(fmax(ay, by) + over_y, s->room.y1 - 1);
    }
    int32_t tx0 = (int32_t)floor((x0 - s->at.x0 - 2) / SHEET_TILE),
            tx1 = (int32_t)floor((x1 - s->at.x0 + 2) / SHEET_TILE);
    int32_t ty0 = (int32_t)floor((y0 - s->at.y0 - 2) / SHEET_TILE),
            ty1 = (int32_t)floor((y1 - s->at.y0 + 2) / SHEET_TILE);
    bool whole =
        s->at.x0 == s->room.x0 && s->at.y0 == s->room.y0 && s->at.x1 == s->room.x1 && s->at.y1 == s->room.y1;
    if (!whole && (tx0 < 0 || ty0 < 0 || tx1 >= s->tile_cols || ty1 >= s->tile_rows)) sum.all = false;
    for (int32_t ty = ty0 < 0 ? 0 : ty0; ty <= ty1 && ty < s->tile_rows; ty++) {
        for (int32_t tx = tx0 < 0 ? 0 : tx0; tx <= tx1 && tx < s->tile_cols; tx++) {
            const struct sheet_tile *t = &s->tiles[ty * s->tile_cols + tx];
            sum.all = sum.all && t->all;
            if (!t->any) continue;
            sum.any = true;
            sum.nearest_um = fminf(sum.nearest_um, t->nearest_um);
            sum.farthest_um = fmaxf(sum.farthest_um, t->farthest_um);
        }
    }
    if (!sum.any) sum.all = false;
    return sum;
}

bool sheet_unknown(const struct sheet *s, double x, double y)
{
    if (!s->unknown) return false;
    x = sheet_mirrored(x, s->room.x0, s->room.x1);
    y = sheet_mirrored(y, s->room.y0, s->room.y1);
    int32_t w = s->at.x1 - s->at.x0;
    int32_t px = (int32_t)lrint(x) - s->at.x0, py = (int32_t)lrint(y) - s->at.y0;
    if (px < 0 || py < 0 || px >= w || py >= s->at.y1 - s->at.y0) return false;
    return s->unknown[(size_t)py * (size_t)w + (size_t)px];
}
