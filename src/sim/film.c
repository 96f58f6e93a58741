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
    if (colour[3] < 1e-4f) return;
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
    double first = (b->sheet->tiles ? sheet_depth_um(b->sheet, b->level, bx * BLOCK, by * BLOCK) : 0);
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

static v4 dark_outside(const struct film *c, int32_t x, int32_t y)
{
    if (x < c->at.x0 || y < c->at.y0 || x >= c->at.x1 || y >= c->at.y1) return v4_all(0);
    return *film_at(c, x, y);
}

static int32_t floor_half(int32_t x)
{
    return x >= 0 ? x / 2 : -((1 - x) / 2);
}

/* Pixel x of the larger lies a quarter to the left (even) or right (odd) of the middle of pixel x/2. */
void film_add_half(struct film *c, const struct film *half)
{
    if (!half->light) return;
    const v4 near = v4_all(0.75f), far = v4_all(0.25f);
    for (int32_t y = c->at.y0; y < c->at.y1; y++) {
        int32_t hy = floor_half(y), oy = y & 1 ? hy + 1 : hy - 1;
        bool rows_inside = hy >= half->at.y0 && oy >= half->at.y0 && hy < half->at.y1 && oy < half->at.y1;
        v4 *to = film_at(c, c->at.x0, y);
        for (int32_t x = c->at.x0; x < c->at.x1; x++, to++) {
            int32_t hx = floor_half(x), ox = x & 1 ? hx + 1 : hx - 1;
            if (rows_inside && hx > half->at.x0 && hx + 1 < half->at.x1) {
                const v4 *a = film_at(half, hx, hy), *b = film_at(half, hx, oy);
                *to += near * (near * *a + far * a[ox - hx]) + far * (near * *b + far * b[ox - hx]);
            } else {
                *to += near * (near * dark_outside(half, hx, hy) + far * dark_outside(half, ox, hy)) +
                       far * (near * dark_outside(half, hx, oy) + far * dark_outside(half, ox, oy));
            }
        }
    }
}
