#include "sim/render_plan.h"

#include <math.h>
#include <string.h>

#include "base/mem.h"

#define WIDEST_SPOT 12 /* pixels of the size drawn; beyond, half that size serves */
#define ROOM_MOST   32

/* Places on the subject that a rectangle of pixels shows, whatever depth in this range it has. */
static struct sheet_tile seen_by(const struct view *v, const struct sheet *s, double px0, double py0,
                                 double px1, double py1, double nearest_um, double farthest_um)
{
    double near_k = 1, far_k = 1;
    if (v->perspective) {
        near_k = lens_wider(v->lens, nearest_um - v->focus_um);
        far_k = lens_wider(v->lens, farthest_um - v->focus_um);
    }
    double ax = (px0 - v->centre_x - v->shift_x_px) / v->scale,
           bx = (px1 - v->centre_x - v->shift_x_px) / v->scale;
    double ay = (py0 - v->centre_y - v->shift_y_px) / v->scale,
           by = (py1 - v->centre_y - v->shift_y_px) / v->scale;
    return sheet_bounds(
        s, v->centre_x + fmin(ax * near_k, ax * far_k), v->centre_y + fmin(ay * near_k, ay * far_k),
        v->centre_x + fmax(bx * near_k, bx * far_k), v->centre_y + fmax(by * near_k, by * far_k));
}

static int level_for(double least_px)
{
    int level = 0;
    while (level < SHEET_LEVELS - 1 && least_px >= WIDEST_SPOT * (1 << level))
        level++;
    return level;
}

struct spread {
    double full, reduced; /* reach of kernels beyond half their diameter, in their own pixels */
    double moved_px;
};

static void plan_block_of(struct render_plan *p, struct sheet_plan *sp, const struct sheet_tile *whole,
                          int32_t bx, int32_t by, const struct spread *spread)
{
    const struct view *v = &p->view;
    struct block_plan *b = &sp->blocks[plan_block(p, bx, by)];
    double px0 = bx * BLOCK - 0.5, py0 = by * BLOCK - 0.5, px1 = px0 + BLOCK, py1 = py0 + BLOCK;
    struct sheet_tile t = seen_by(v, sp->sheet, px0, py0, px1, py1, whole->nearest_um, whole->farthest_um);
    b->level = -1;
    if (!t.any) return;
    double dx = fmax(fabs(px0 - v->centre_x), fabs(px1 - v->centre_x));
    double dy = fmax(fabs(py0 - v->centre_y), fabs(py1 - v->centre_y));
    double curve = v->curve_um * (dx * dx + dy * dy),
           inner = v->curve_um * fmax(0, dx * dx + dy * dy - 2 * BLOCK * (dx + dy));
    double a = lens_disc_px(v->lens, t.nearest_um - v->focus_um + inner);
    double c = lens_disc_px(v->lens, t.farthest_um - v->focus_um + curve);
    double least = a <= 0 && c >= 0 ? 0 : fmin(fabs(a), fabs(c)), most = fmax(fabs(a), fabs(c));
    int level = level_for(least);
    int size = 1 << level;
    double reach = (level ? spread->reduced + 1 : spread->full) * size + spread->moved_px;
    /* A spot larger than the largest kernel is drawn as that. */
    double radius = fmin(most / 2, PSF_REACH / 2 * size) + reach + 1;
    b->level = (int8_t)level;
    b->opaque = t.all;
    b->radius_px = (uint16_t)fmin(radius, 60000);
    int lo = psf_index(psf_place(a / size), 0, 0) - 2, hi = psf_index(psf_place(c / size), 0, 0) + 2;
    if (lo < p->first_kernel[level]) p->first_kernel[level] = lo < 0 ? 0 : lo;
    if (hi > p->last_kernel[level]) p->last_kernel[level] = hi >= PSF_COUNT ? PSF_COUNT - 1 : hi;
    if (b->radius_px > sp->radius_px) sp->radius_px = b->radius_px;
}

/* Sums over rectangles of the grid in constant time. */
struct sums {
    int32_t cols, rows;
    int32_t *of; /* (cols + 1) x (rows + 1) */
};

static int32_t sum_in(const struct sums *s, int32_t x0, int32_t y0, int32_t x1, int32_t y1)
{
    x0 = x0 < 0 ? 0 : x0;
    y0 = y0 < 0 ? 0 : y0;
    x1 = x1 > s->cols ? s->cols : x1;
    y1 = y1 > s->rows ? s->rows : y1;
    if (x0 >= x1 || y0 >= y1) return 0;
    int32_t w = s->cols + 1;
    return s->of[y1 * w + x1] - s->of[y0 * w + x1] - s->of[y1 * w + x0] + s->of[y0 * w + x0];
}

static void sum_up(struct sums *s, const uint8_t *set)
{
    int32_t w = s->cols + 1;
    for (int32_t y = 0; y < s->rows; y++) {
        int32_t line = 0;
        for (int32_t x = 0; x < s->cols; x++) {
            line += set[y * s->cols + x];
            s->of[(y + 1) * w + x + 1] = s->of[y * w + x + 1] + line;
        }
    }
}

static int32_t blocks_within(int32_t radius_px)
{
    return (radius_px + BLOCK - 1) / BLOCK;
}

static bool in_frame(const struct render_plan *p, int32_t gx, int32_t gy)
{
    int32_t bx = gx - p->room, by = gy - p->room;
    return bx >= 0 && by >= 0 && bx < p->frame_cols && by < p->frame_rows;
}

static int32_t lesser(int32_t a, int32_t b)
{
    return a < b ? a : b;
}

static int32_t greater(int32_t a, int32_t b)
{
    return a > b ? a : b;
}

/* Notes where the light of a block lands. */
static void light_up(struct render_plan *p, struct sheet_plan *sp, int32_t gx, int32_t gy)
{
    const struct block_plan *b = &sp->blocks[gy * p->cols + gx];
    int32_t x = (gx - p->room) * BLOCK, y = (gy - p->room) * BLOCK, r = b->radius_px;
    int32_t x0 = greater((x - r) / BLOCK, 0), x1 = lesser((x + BLOCK + r) / BLOCK + 1, p->frame_cols);
    int32_t y0 = greater((y - r) / BLOCK, 0), y1 = lesser((y + BLOCK + r) / BLOCK + 1, p->frame_rows);
    if (x0 >= x1 || y0 >= y1) return;
    uint8_t finest = b->level > 2 ? 2 : (uint8_t)b->level;
    for (int32_t by = y0; by < y1; by++) {
        for (int32_t bx = x0; bx < x1; bx++) {
            uint8_t *f = &sp->finest[by * p->frame_cols + bx];
            if (finest < *f) *f = finest;
        }
    }
    struct rect lit = {x0 * BLOCK, y0 * BLOCK, x1 * BLOCK, y1 * BLOCK};
    if (!sp->drawn) sp->lit = lit;
    sp->lit = (struct rect){lesser(lit.x0, sp->lit.x0), lesser(lit.y0, sp->lit.y0),
                            greater(lit.x1, sp->lit.x1), greater(lit.y1, sp->lit.y1)};
    sp->drawn = true;
    sp->levels |= 1u << b->level;
}

/* Leaves out what opaque sheets in front hide, and adds this sheet to what hides. */
static void hide(struct render_plan *p, struct sheet_plan *sp, uint8_t *open, uint8_t *opaque,
                 struct sums *sums)
{
    sum_up(sums, open);
    for (int32_t gy = 0; gy < p->rows; gy++) {
        for (int32_t gx = 0; gx < p->cols; gx++) {
            struct block_plan *b = &sp->blocks[gy * p->cols + gx];
            opaque[gy * p->cols + gx] = b->level >= 0 && b->opaque;
            if (b->level < 0) continue;
            int32_t r = blocks_within(b->radius_px);
            if (sum_in(sums, gx - r, gy - r, gx + r + 1, gy + r + 1) == 0)
                b->level = -1;
            else
                light_up(p, sp, gx, gy);
        }
    }
    if (!sp->drawn) return;
    sum_up(sums, opaque);
    int32_t r = blocks_within(sp->radius_px), side = 2 * r + 1;
    for (int32_t gy = 0; gy < p->rows; gy++) {
        for (int32_t gx = 0; gx < p->cols; gx++) {
            if (open[gy * p->cols + gx] &&
                sum_in(sums, gx - r, gy - r, gx + r + 1, gy + r + 1) == side * side)
                open[gy * p->cols + gx] = 0;
        }
    }
}

static struct sheet_tile whole_sheet(const struct sheet *s)
{
    return sheet_bounds(s, s->at.x0 + 2, s->at.y0 + 2, s->at.x1 - 3, s->at.y1 - 3);
}

/* Blocks of room that the widest spot of the scene asks for. */
static int32_t room_for(const struct world *w, const struct view *v, const struct spread *spread)
{
    double most = 0;
    for (int32_t i = 0; i < w->subject->scene.count; i++) {
        struct sheet_tile t = whole_sheet(&w->subject->scene.sheets[i]);
        if (!t.any) continue;
        most = fmax(most, fabs(lens_disc_px(v->lens, t.nearest_um - v->focus_um)));
        most = fmax(most, fabs(lens_disc_px(v->lens, t.farthest_um - v->focus_um + v->lens->curvature_um)));
    }
    int32_t room = blocks_within((int32_t)fmin(most / 2 + spread->full + spread->moved_px, 10000)) + 1;
    return room > ROOM_MOST ? ROOM_MOST : room;
}

int render_plan_make(struct render_plan *p, const struct world *w, const struct view *v, double spread_px,
                     struct err *why)
{
    struct spread spread = {(double)w->full.reach_px, (double)w->reduced.reach_px, spread_px};
    *p = (struct render_plan){.view = *v, .width_px = w->camera.width_px, .height_px = w->camera.height_px};
    p->room = room_for(w, v, &spread);
    p->frame_cols = (p->width_px + BLOCK - 1) / BLOCK;
    p->frame_rows = (p->height_px + BLOCK - 1) / BLOCK;
    p->cols = p->frame_cols + 2 * p->room;
    p->rows = p->frame_rows + 2 * p->room;
    for (int l = 0; l < SHEET_LEVELS; l++) {
        p->first_kernel[l] = PSF_COUNT;
        p->last_kernel[l] = -1;
    }
    size_t cells = (size_t)p->cols * (size_t)p->rows;
    struct sums sums = {p->cols, p->rows,
                        mem_new((size_t)(p->cols + 1) * (size_t)(p->rows + 1), sizeof *sums.of, why)};
    uint8_t *open = mem_new(cells, 1, why), *opaque = mem_new(cells, 1, why);
    p->sheets = mem_new((size_t)w->subject->scene.count, sizeof *p->sheets, why);
    int rc = sums.of && open && opaque && p->sheets ? E_OK : E_NOMEM;
    for (int32_t gy = 0; gy < p->rows && !rc; gy++) {
        for (int32_t gx = 0; gx < p->cols; gx++)
            open[gy * p->cols + gx] = in_frame(p, gx, gy);
    }
    for (int32_t i = 0; i < w->subject->scene.count && !rc; i++) {
        struct sheet_plan *sp = &p->sheets[p->count];
        sp->sheet = &w->subject->scene.sheets[i];
        sp->blocks = mem_new(cells, sizeof *sp->blocks, why);
        sp->finest = mem_new((size_t)p->frame_cols * (size_t)p->frame_rows, 1, why);
        p->count++;
        if (!sp->blocks || !sp->finest) {
            rc = E_NOMEM;
            break;
        }
        memset(sp->finest, 3, (size_t)p->frame_cols * (size_t)p->frame_rows);
        struct sheet_tile whole = whole_sheet(sp->sheet);
        for (int32_t by = -p->room; by < p->rows - p->room; by++) {
            for (int32_t bx = -p->room; bx < p->cols - p->room; bx++)
                plan_block_of(p, sp, &whole, bx, by, &spread);
        }
        hide(p, sp, open, opaque, &sums);
    }
    mem_free(sums.of);
    mem_free(open);
    mem_free(opaque);
    if (rc) render_plan_clear(p);
    return rc;
}

void render_plan_clear(struct render_plan *p)
{
    for (int32_t i = 0; i < p->count; i++) {
        mem_free(p->sheets[i].blocks);
        mem_free(p->sheets[i].finest);
    }
    mem_free(p->sheets);
    memset(p, 0, sizeof *p);
}
