/* The ground of the coverage map: each tile from the frame in which it is sharp, as relief under its tint. */
#include <math.h>

#include "base/mem.h"
#include "image/measure_io.h"
#include "report/coverage.h"

#define RELIEF 0.75 /* how much of the subject's detail shows through the tint */

double pictures_scale_at(const struct verdict *v, double frame)
{
    if (v->useful_first < 0 || v->useful_last <= v->useful_first) return 0.5;
    return (frame - v->useful_first) / (v->useful_last - v->useful_first);
}

/* A strip beside the grid is drawn like the tile next to it. */
static const struct tile_verdict *tile_at(const struct map *m, double x, double y)
{
    int32_t row = (int32_t)((y - m->y) / m->tile), col = (int32_t)((x - m->x) / m->tile);
    row = row < 0 ? 0 : row >= m->v->rows ? m->v->rows - 1 : row;
    col = col < 0 ? 0 : col >= m->v->cols ? m->v->cols - 1 : col;
    return &m->v->tiles[(size_t)row * (size_t)m->v->cols + (size_t)col];
}

static int32_t best_frame(const struct map *m, const struct tile_verdict *t)
{
    int32_t frame = m->v->useful_first >= 0 ? (m->v->useful_first + m->v->useful_last) / 2 : m->v->frames / 2;
    if (t->state == TILE_UNSHARP_BEFORE) frame = 0;
    if (t->state == TILE_UNSHARP_AFTER) frame = m->v->frames - 1;
    if (t->state == TILE_COVERED && t->peak_count > 0) frame = (int32_t)lroundf(t->peak[0]);
    return frame < 0 ? 0 : frame >= m->v->frames ? m->v->frames - 1 : frame;
}

/* Thumbnail of a frame at a point of the first frame, bilinear. */
static double thumb_at(const struct map *m, const struct frame_measure *f, const struct frame_place *p,
                       double x, double y)
{
    if (!f->thumb || f->thumb_w < 2 || f->thumb_h < 2 || f->width_px < 1) return 0.5;
    const double fx = p->scale * (x / m->px - f->width_px / 2.0) + p->dx_px + f->width_px / 2.0;
    const double fy = p->scale * (y / m->px - f->height_px / 2.0) + p->dy_px + f->height_px / 2.0;
    const double tx = fmin(fmax(fx * f->thumb_w / f->width_px - 0.5, 0), f->thumb_w - 1.001);
    const double ty = fmin(fmax(fy * f->thumb_h / f->height_px - 0.5, 0), f->thumb_h - 1.001);
    const int32_t ix = (int32_t)tx, iy = (int32_t)ty;
    const double u = tx - ix, v = ty - iy;
    const uint8_t *a = f->thumb + (size_t)iy * (size_t)f->thumb_w + (size_t)ix, *b = a + f->thumb_w;
    return ((a[0] * (1 - u) + a[1] * u) * (1 - v) + (b[0] * (1 - u) + b[1] * u) * v) / 255;
}

/* First pixel of a row or column of tiles that begins there; of the one after the last, the end of the map.
 */
static int32_t edge(double begins, int32_t tile, int32_t tiles, int32_t pixels)
{
    const int32_t at = tile == 0 ? 0 : tile == tiles ? pixels : (int32_t)ceil(begins - 0.5);
    return at < 0 ? 0 : at > pixels ? pixels : at;
}

static void gather_tile(struct map *m, int32_t row, int32_t col, const struct frame_measure *f,
                        const struct frame_place *p)
{
    const int32_t cols = m->v->cols, rows = m->v->rows;
    const int32_t x0 = edge(map_x(m, col), col, cols, m->w),
                  x1 = edge(map_x(m, col + 1), col + 1, cols, m->w);
    const int32_t y0 = edge(map_y(m, row), row, rows, m->h),
                  y1 = edge(map_y(m, row + 1), row + 1, rows, m->h);
    for (int32_t y = y0; y < y1; y++)
        for (int32_t x = x0; x < x1; x++)
            m->luma[(size_t)y * (size_t)m->w + (size_t)x] = (float)thumb_at(m, f, p, x + 0.5, y + 0.5);
}

/* All tiles that show this frame, whose thumbnail is brought if there is any. */
static int gather_frame(struct map *m, int32_t frame, struct err *why)
{
    struct frame_measure room = {0};
    const struct frame_measure *f = NULL;
    int rc = E_OK;
    for (int32_t i = 0; i < m->v->rows * m->v->cols && !rc; i++) {
        if (best_frame(m, &m->v->tiles[i]) != frame) continue;
        if (!f) rc = pictures_bring(m->of, frame, &room, &f, why);
        if (!rc) gather_tile(m, i / m->v->cols, i % m->v->cols, f, &m->v->place[frame]);
    }
    frame_measure_clear(&room);
    return rc;
}

static int gather_luma(struct map *m, struct err *why)
{
    int rc = E_OK;
    for (int32_t i = 0; i < m->v->frames && !rc; i++)
        rc = gather_frame(m, i, why);
    return rc;
}

/* Mean over 2r+1 samples, `count` of them `step` apart; ends repeat. */
static void box_line(const float *in, float *out, int32_t count, size_t step, int32_t r)
{
    double sum = 0;
    for (int32_t k = -r; k <= r; k++)
        sum += (double)in[(size_t)(k < 0 ? 0 : k < count ? k : count - 1) * step];
    for (int32_t i = 0; i < count; i++) {
        out[(size_t)i * step] = (float)(sum / (2 * r + 1));
        const int32_t in_at = i + r + 1 < count ? i + r + 1 : count - 1, out_at = i - r > 0 ? i - r : 0;
        sum += (double)in[(size_t)in_at * step] - (double)in[(size_t)out_at * step];
    }
}

static int smooth_luma(struct map *m, struct err *why)
{
    const int32_t r = (int32_t)fmax(2, m->w / 60.0);
    float *half = mem_new((size_t)m->w * (size_t)m->h, sizeof *half, why);
    if (!half) return E_NOMEM;
    for (int32_t y = 0; y < m->h; y++)
        box_line(m->luma + (size_t)y * (size_t)m->w, half + (size_t)y * (size_t)m->w, m->w, 1, r);
    for (int32_t x = 0; x < m->w; x++)
        box_line(half + x, m->smooth + x, m->h, (size_t)m->w, r);
    mem_free(half);
    return E_OK;
}

static struct rgb tint(const struct map *m, const struct tile_verdict *t, double luma, double relief)
{
    struct lab c = {0.86 + 0.10 * (luma - 0.5) + 0.5 * relief, 0, 0};
    if (t->state == TILE_OUTSIDE) {
        c.l = 0.45 + 0.25 * luma;
    } else if (t->state == TILE_COVERED) {
        c = palette_scale_lab(t->peak_count > 0 ? pictures_scale_at(m->v, (double)t->peak[0]) : 0.5);
        c.l += relief;
    }
    c.l = fmin(fmax(c.l, 0.12), 0.99);
    return palette_rgb(c);
}

static void paint_pixels(struct map *m)
{
    int32_t stride;
    uint32_t *words = paper_pixels(&m->c, &stride);
    for (int32_t y = 0; y < m->h; y++)
        for (int32_t x = 0; x < m->w; x++) {
            const size_t at = (size_t)y * (size_t)m->w + (size_t)x;
            const double luma = (double)m->luma[at];
            const double relief = fmin(fmax(RELIEF * (luma - (double)m->smooth[at]), -0.16), 0.16);
            words[(size_t)y * (size_t)stride + (size_t)x] =
                paper_word(tint(m, tile_at(m, x + 0.5, y + 0.5), luma, relief));
        }
    paper_touched(&m->c);
}

int map_paint_subject(struct map *m, struct err *why)
{
    const size_t pixels = (size_t)m->w * (size_t)m->h;
    m->luma = mem_new(pixels, sizeof *m->luma, why);
    m->smooth = mem_new(pixels, sizeof *m->smooth, why);
    if (!m->luma || !m->smooth) return E_NOMEM;
    int rc = gather_luma(m, why);
    if (!rc) rc = smooth_luma(m, why);
    if (!rc) paint_pixels(m);
    return rc;
}
