#include "sim/film.h"

#include <math.h>
#include <string.h>

#include "base/mem.h"

int film_init(struct film *c, struct rect at, struct err *why)
{
    c->at = at;
    c->light = mem_new((size_t)(at.x1 - at.x0) * (size_t)(at.y1 - at.y0), sizeof *c->light, why);
    return c->light ? E_OK : E_NOMEM;
}

void film_clear(struct film *c)
{
    mem_free(c->light);
    memset(c, 0, sizeof *c);
}

/* One point's light: colour times each tap. Bounds checked once where the whole spot is inside. */
static void spread_inside(struct film *c, const struct kernel *k, int32_t x, int32_t y, v4 colour)
{
    const v4 *restrict tap = k->taps;
    size_t width = (size_t)(c->at.x1 - c->at.x0);
    v4 *row = film_at(c, x, y + k->top);
    for (int32_t r = 0; r < k->rows; r++, row += width) {
        v4 *restrict to = row + k->left[r];
        int32_t n = k->length[r], i = 0;
        for (; i + 4 <= n; i += 4) {
            to[i] += colour * tap[i];
            to[i + 1] += colour * tap[i + 1];
            to[i + 2] += colour * tap[i + 2];
            to[i + 3] += colour * tap[i + 3];
        }
        for (; i < n; i++)
            to[i] += colour * tap[i];
        tap += n;
    }
}

static void spread_clipped(struct film *c, const struct kernel *k, int32_t x, int32_t y, v4 colour)
{
    const v4 *tap = k->taps;
    for (int32_t r = 0; r < k->rows; tap += k->length[r], r++) {
        int32_t ty = y + k->top + r;
        if (ty < c->at.y0 || ty >= c->at.y1) continue;
        int32_t from = x + k->left[r], to = from + k->length[r], skip = 0;
        if (from < c->at.x0) skip = c->at.x0 - from;
        if (to > c->at.x1) to = c->at.x1;
        for (int32_t tx = from + skip; tx < to; tx++)
            *film_at(c, tx, ty) += colour * tap[tx - from];
    }
}

struct brush {
    const struct render_plan *plan;
    const struct sheet *sheet;
    const struct kernel_set *kernels;
    int level;
};

static void draw_point(struct film *c, const struct brush *b, int32_t x, int32_t y, double *depth_um)
{
    int32_t size = 1 << b->level;
    double px = (x + 0.5) * size - 0.5, py = (y + 0.5) * size - 0.5, sx, sy;
    const struct view *v = &b->plan->view;
    view_place(v, b->sheet, b->level, px, py, depth_um, &sx, &sy);
    v4 colour = sheet_colour(b->sheet, b->level, sx, sy);
    if (fabsf(colour[3]) < 1e-4f) return;
    double diameter = lens_disc_px(v->lens, view_behind_um(v, px, py, *depth_um)) / size;
    const struct kernel *k = &b->kernels->kernel[psf_index(diameter, x, y)];
    if (!k->taps) return;
    /* The tallest row is about as wide as the kernel is high; a margin makes the quick test safe. */
    int32_t up = -k->top + 3, low = k->top + k->rows + 3;
    int32_t side = up > low ? up : low;
    if (x - side >= c->at.x0 && x + side < c->at.x1 && y - up >= c->at.y0 && y + low < c->at.y1)
        spread_inside(c, k, x, y, colour);
    else
        spread_clipped(c, k, x, y, colour);
}

static void draw_block(struct film *c, const struct brush *b, const struct block_plan *block, int32_t bx,
                       int32_t by)
{
    int32_t n = BLOCK >> b->level, reach = (block->radius_px >> b->level) + 1;
    double first = sheet_depth_um(b->sheet, b->level, bx * BLOCK, by * BLOCK), sx, sy;
    for (int turn = 0; turn < 2; turn++)
        view_place(&b->plan->view, b->sheet, b->level, bx * BLOCK, by * BLOCK, &first, &sx, &sy);
    for (int32_t y = by * n; y < (by + 1) * n; y++) {
        if (y + reach < c->at.y0 || y - reach >= c->at.y1) continue;
        double depth_um = first;
        for (int32_t x = bx * n; x < (bx + 1) * n; x++)
            draw_point(c, b, x, y, &depth_um);
    }
}

void film_draw(struct film *c, const struct render_plan *p, const struct sheet_plan *sp, int level,
               const struct kernel_set *kernels)
{
    struct brush brush = {p, sp->sheet, kernels, level};
    int32_t n = BLOCK >> level;
    for (int32_t by = -p->room; by < p->rows - p->room; by++) {
        for (int32_t bx = -p->room; bx < p->cols - p->room; bx++) {
            const struct block_plan *b = &sp->blocks[plan_block(p, bx, by)];
            int32_t reach = (b->radius_px >> level) + 1;
            if (b->level != level) continue;
            if ((bx + 1) * n + reach <= c->at.x0 || bx * n - reach >= c->at.x1) continue;
            if ((by + 1) * n + reach <= c->at.y0 || by * n - reach >= c->at.y1) continue;
            draw_block(c, &brush, b, bx, by);
        }
    }
}

static int32_t floor_half(int32_t x)
{
    return x >= 0 ? x / 2 : -((1 - x) / 2);
}

/* A cubic through four samples (Catmull and Rom), a quarter of the way between the middle two. */
static v4 quarter(v4 a, v4 b, v4 c, v4 d)
{
    return v4_all(-9.0f / 128) * a + v4_all(111.0f / 128) * b + v4_all(29.0f / 128) * c +
           v4_all(-3.0f / 128) * d;
}

#define LINE_MOST 4096 /* pixels of the smaller picture that are enlarged at once */

/* One row of the smaller picture's columns [x0, x1), rows mixed for row y of the larger. Dark outside. */
static void mix_rows(v4 *line, const struct film *half, int32_t x0, int32_t x1, int32_t y)
{
    int32_t hy = floor_half(y),
            step = y & 1 ? 1 : -1; /* the larger pixel lies a quarter that way from the middle */
    int32_t rows[4] = {hy - step, hy, hy + step, hy + 2 * step};
    const v4 *from[4];
    for (int i = 0; i < 4; i++) {
        bool inside = rows[i] >= half->at.y0 && rows[i] < half->at.y1;
        from[i] = inside ? film_at(half, half->at.x0, rows[i]) : NULL;
    }
    for (int32_t x = x0; x < x1; x++) {
        int32_t i = x - half->at.x0;
        if (i < 0 || x >= half->at.x1) {
            line[x - x0] = v4_all(0);
            continue;
        }
        line[x - x0] = quarter(from[0] ? from[0][i] : v4_all(0), from[1] ? from[1][i] : v4_all(0),
                               from[2] ? from[2][i] : v4_all(0), from[3] ? from[3][i] : v4_all(0));
    }
}

static void add_columns(struct film *f, const struct film *half, int32_t from, int32_t to)
{
    v4 line[LINE_MOST + 8];
    int32_t x0 = floor_half(from) - 2, x1 = floor_half(to - 1) + 3;
    for (int32_t y = f->at.y0; y < f->at.y1; y++) {
        mix_rows(line, half, x0, x1, y);
        v4 *out = film_at(f, from, y);
        for (int32_t x = from; x < to; x++, out++) {
            const v4 *h = line + (floor_half(x) - x0);
            *out += x & 1 ? quarter(h[-1], h[0], h[1], h[2]) : quarter(h[1], h[0], h[-1], h[-2]);
        }
    }
}

void film_add_half(struct film *f, const struct film *half)
{
    if (!half->light) return;
    for (int32_t from = f->at.x0; from < f->at.x1; from += 2 * LINE_MOST)
        add_columns(f, half, from, from + 2 * LINE_MOST < f->at.x1 ? from + 2 * LINE_MOST : f->at.x1);
}
