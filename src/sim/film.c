#include "sim/film.h"

#include <math.h>
#include <string.h>

#include "base/fast.h"
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
    const v8 twice = __builtin_shufflevector(colour, colour, 0, 1, 2, 3, 4, 5, 6, 7);
    for (int32_t r = 0; r < k->rows; r++, row += width) {
        v4 *restrict to = row + k->left[r];
        const int32_t n = k->length[r];
        int32_t i = 0;
        for (; i + 2 <= n; i += 2)
            *(v8 *)(void *)(to + i) += twice * *(const v8 *)(const void *)(tap + i);
        if (i < n) to[i] += colour * tap[i];
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

/* Where the points of a block are seen: column by column. */
struct block_places {
    _Alignas(32) double x[BLOCK][BLOCK], y[BLOCK][BLOCK], depth_um[BLOCK][BLOCK], spot[BLOCK][BLOCK];
};

/* sheet_depth_um of four places at once; false, and nothing done, unless all lie well within the sheet. */
static inline bool depth_of_four(const struct sheet *s, int level, const d4 *x, const d4 *y, d4 *z_out)
{
    const struct sheet_level *l = &s->level[level];
    const double share = 1.0 / (1 << level);
    *z_out = s->depth_um + s->slope_x_um * *x + s->slope_y_um * *y;
    const l4 in_room = (*x >= (double)s->room.x0) & (*y >= (double)s->room.y0) &
                       (*x <= (double)(s->room.x1 - 1)) & (*y <= (double)(s->room.y1 - 1));
    if (!l->relief_um) return L4_TRUE(in_room);
    const d4 u = (*x - (double)s->at.x0 + 0.5) * share - 0.5, v = (*y - (double)s->at.y0 + 0.5) * share - 0.5;
    const l4 within = in_room & (u >= 0) & (v >= 0) & (u < (double)(l->w - 1)) & (v < (double)(l->h - 1));
    if (!L4_TRUE(within)) return false;
    const i4 col = __builtin_convertvector(u, i4), row = __builtin_convertvector(v, i4);
    const v4 fx = __builtin_convertvector(u - __builtin_convertvector(col, d4), v4);
    const v4 fy = __builtin_convertvector(v - __builtin_convertvector(row, d4), v4);
    const float *at[4];
    for (int i = 0; i < 4; i++)
        at[i] = l->relief_um + (size_t)row[i] * (size_t)l->w + (size_t)col[i];
    const v4 top = {at[0][0], at[1][0], at[2][0], at[3][0]}, right = {at[0][1], at[1][1], at[2][1], at[3][1]};
    for (int i = 0; i < 4; i++)
        at[i] += l->w;
    const v4 low = {at[0][0], at[1][0], at[2][0], at[3][0]}, last = {at[0][1], at[1][1], at[2][1], at[3][1]};
    const v4 a = top + fx * (right - top), b = low + fx * (last - low);
    *z_out += __builtin_convertvector(a + fy * (b - a), d4);
    return true;
}

/* view_meet of four places in a column. */
static inline bool meet_four(const struct view *v, const struct sheet *s, int level, double right,
                             const d4 *down, d4 *depth_um, d4 *x_out, d4 *y_out)
{
    const int turns = v->perspective && s->level[0].relief_um ? 2 : 1;
    d4 x = D4_ALL(v->centre_x + right), y = v->centre_y + *down, z = *depth_um;
    for (int turn = 0; turn < turns; turn++) {
        if (v->perspective) {
            d4 wider = 1 + (z - v->focus_um) * v->per_away;
            const l4 least = wider < 0.05;
            wider = (d4)(((l4)wider & ~least) | ((l4)D4_ALL(0.05) & least));
            x = v->centre_x + right * wider;
            y = v->centre_y + *down * wider;
        }
        if (!depth_of_four(s, level, &x, &y, &z)) return false;
    }
    *depth_um = z;
    *x_out = x;
    *y_out = y;
    return true;
}

/* Each row begins with the block's depth, and each of its points with that of the one before: column by
 * column, so that rows, which do not wait for each other, go four by four. */
static void find_places(const struct brush *b, int32_t bx, int32_t by, int32_t y0, int32_t y1,
                        struct block_places *out)
{
    const int32_t size = 1 << b->level, n = BLOCK >> b->level;
    const struct view *v = &b->plan->view;
    _Alignas(32) double depth_um[BLOCK], down[BLOCK];
    double first = sheet_depth_um(b->sheet, b->level, bx * BLOCK, by * BLOCK), sx, sy;
    for (int turn = 0; turn < 2; turn++)
        view_place(v, b->sheet, b->level, bx * BLOCK, by * BLOCK, &first, &sx, &sy);
    for (int32_t y = 0; y < n; y++) {
        depth_um[y] = first;
        down[y] = view_down_px(v, (by * n + y + 0.5) * size - 0.5);
    }
    for (int32_t x = 0; x < n; x++) {
        const double right = view_right_px(v, (bx * n + x + 0.5) * size - 0.5);
        int32_t y = y0;
        while (y < y1) {
            if (!(y & 3) && y + 4 <= n &&
                meet_four(v, b->sheet, b->level, right, (const d4 *)(const void *)&down[y],
                          (d4 *)(void *)&depth_um[y], (d4 *)(void *)&out->x[x][y],
                          (d4 *)(void *)&out->y[x][y])) {
                y += 4;
                continue;
            }
            view_meet(v, b->sheet, b->level, right, down[y], &depth_um[y], &out->x[x][y], &out->y[x][y]);
            y++;
        }
        memcpy(out->depth_um[x], depth_um, sizeof depth_um);
    }
}

/* Which kernel each of them asks for. */
static void find_spots(const struct brush *b, int32_t bx, int32_t by, struct block_places *p)
{
    const int32_t size = 1 << b->level, n = BLOCK >> b->level;
    const struct view *v = &b->plan->view;
    for (int32_t x = 0; x < n; x++)
        for (int32_t y = 0; y < n; y++) {
            const double px = (bx * n + x + 0.5) * size - 0.5, py = (by * n + y + 0.5) * size - 0.5;
            const double behind_um = view_behind_um(v, px, py, p->depth_um[x][y]);
            p->spot[x][y] = psf_place(lens_disc_px(v->lens, behind_um) / size);
        }
}

static void draw_point(struct film *c, const struct brush *b, int32_t x, int32_t y, double sx, double sy,
                       double spot)
{
    v4 colour = sheet_colour(b->sheet, b->level, sx, sy);
    if (fabsf(colour[3]) < 1e-4f) return;
    const struct kernel *k = &b->kernels->kernel[psf_index(spot, x, y)];
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
    struct block_places at;
    const int32_t n = BLOCK >> b->level, reach = (block->radius_px >> b->level) + 1;
    int32_t y0 = 0, y1 = n;
    while (y0 < y1 && by * n + y0 + reach < c->at.y0)
        y0++;
    while (y1 > y0 && by * n + y1 - 1 - reach >= c->at.y1)
        y1--;
    find_places(b, bx, by, y0, y1, &at);
    find_spots(b, bx, by, &at);
    for (int32_t y = y0; y < y1; y++)
        for (int32_t x = 0; x < n; x++)
            draw_point(c, b, bx * n + x, by * n + y, at.x[x][y], at.y[x][y], at.spot[x][y]);
}

FAST __attribute__((flatten)) void film_draw(struct film *c, const struct render_plan *p,
                                             const struct sheet_plan *sp, int level,
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
