/* The coverage map: the subject in relief, tinted by the slice in which each tile is sharp. What is sharp in
 * no slice is hatched (nearer than the first: falling, beyond the last: rising, in a gap: crossed) and named;
 * where there is no texture the subject stays gray, with a dot in each tile. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "report/pictures.h"

#define LEGEND_HEIGHT 128
#define RELIEF        0.75 /* how much of the subject's detail shows through the tint */

struct map {
    const struct pictures_of *of;
    const struct verdict *v;
    struct paper c;
    int32_t w, h; /* of the map alone */
    double px;    /* map pixels per frame pixel */
    double tile;  /* side of a tile in map pixels */
    struct placing *placings;
    float *luma, *smooth; /* w x h; 0..1 */
};

double pictures_scale_at(const struct verdict *v, double frame)
{
    if (v->useful_first < 0 || v->useful_last <= v->useful_first) return 0.5;
    return (frame - v->useful_first) / (v->useful_last - v->useful_first);
}

void pictures_placings(const struct frame_measure *measures, int32_t count, struct placing *out)
{
    struct placing at = {1, 0, 0};
    for (int32_t i = 0; i < count; i++) {
        const struct frame_shift *s = &measures[i].shift;
        if (i > 0 && s->trust == SHIFT_GOOD && s->scale > 0) {
            at.scale *= (double)s->scale;
            at.dx_px = (double)s->scale * at.dx_px + (double)s->dx_px;
            at.dy_px = (double)s->scale * at.dy_px + (double)s->dy_px;
        }
        out[i] = at;
    }
}

/* The strip beyond the last whole tile is drawn like the tile beside it. */
static const struct tile_verdict *tile_at(const struct map *m, double x, double y)
{
    int32_t row = (int32_t)(y / m->tile), col = (int32_t)(x / m->tile);
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

/* Thumbnail of frame i at a point of the first frame, bilinear. */
static double thumb_at(const struct map *m, int32_t i, double x, double y)
{
    const struct frame_measure *f = &m->of->measures[i];
    const struct placing *p = &m->placings[i];
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

static void gather_luma(struct map *m)
{
    for (int32_t y = 0; y < m->h; y++)
        for (int32_t x = 0; x < m->w; x++) {
            const int32_t frame = best_frame(m, tile_at(m, x + 0.5, y + 0.5));
            m->luma[(size_t)y * (size_t)m->w + (size_t)x] = (float)thumb_at(m, frame, x + 0.5, y + 0.5);
        }
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

static void paint_subject(struct map *m)
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

static bool unsharp(enum tile_state s)
{
    return s == TILE_UNSHARP_BEFORE || s == TILE_UNSHARP_AFTER || s == TILE_GAP;
}

/* Hatching of a box: falling, rising or both. Lines keep their places across neighbouring boxes. */
static void hatch(struct paper *c, double x, double y, double w, double h, enum tile_state state)
{
    const int apart = 8;
    cairo_save(c->cr);
    cairo_rectangle(c->cr, x, y, w, h);
    cairo_clip(c->cr);
    paper_ink(c, PALETTE_ALARM, 1);
    cairo_set_line_width(c->cr, 2.2);
    if (state != TILE_UNSHARP_BEFORE)
        for (int k = (int)floor((x + y) / apart); k * apart < x + y + w + h + apart; k++) {
            cairo_move_to(c->cr, k * apart - y, y);
            cairo_line_to(c->cr, k * apart - y - h, y + h);
        }
    if (state != TILE_UNSHARP_AFTER)
        for (int k = (int)floor((x - y - h) / apart); k * apart < x - y + w + apart; k++) {
            cairo_move_to(c->cr, k * apart + y, y);
            cairo_line_to(c->cr, k * apart + y + h, y + h);
        }
    cairo_stroke(c->cr);
    cairo_restore(c->cr);
}

static enum tile_state state_of(const struct map *m, int32_t row, int32_t col)
{
    if (row < 0 || col < 0 || row >= m->v->rows || col >= m->v->cols) return TILE_OUTSIDE;
    return m->v->tiles[(size_t)row * (size_t)m->v->cols + (size_t)col].state;
}

static void line(struct paper *c, double x0, double y0, double x1, double y1)
{
    cairo_move_to(c->cr, x0, y0);
    cairo_line_to(c->cr, x1, y1);
}

/* The border of hatched ground, so that a single tile is seen as well. */
static void outline(struct map *m, int32_t row, int32_t col, enum tile_state s)
{
    const double x = col * m->tile, y = row * m->tile, e = m->tile;
    if (state_of(m, row - 1, col) != s) line(&m->c, x, y, x + e, y);
    if (state_of(m, row + 1, col) != s) line(&m->c, x, y + e, x + e, y + e);
    if (state_of(m, row, col - 1) != s) line(&m->c, x, y, x, y + e);
    if (state_of(m, row, col + 1) != s) line(&m->c, x + e, y, x + e, y + e);
    paper_ink(&m->c, PALETTE_ALARM, 1);
    cairo_set_line_width(m->c.cr, 3);
    cairo_stroke(m->c.cr);
}

static void paint_states(struct map *m)
{
    for (int32_t row = 0; row < m->v->rows; row++)
        for (int32_t col = 0; col < m->v->cols; col++) {
            const enum tile_state s = state_of(m, row, col);
            const double x = col * m->tile, y = row * m->tile;
            if (unsharp(s)) {
                hatch(&m->c, x, y, m->tile, m->tile, s);
                outline(m, row, col, s);
            } else if (s == TILE_NO_TEXTURE) {
                paper_ink(&m->c, PALETTE_QUIET, 0.8);
                cairo_arc(m->c.cr, x + m->tile / 2, y + m->tile / 2, fmax(0.9, m->tile / 16), 0, 2 * M_PI);
                cairo_fill(m->c.cr);
            }
        }
}

/* Slice numbers on the tint, every few tiles, where a block is mostly of one depth. */
static void write_numbers(struct map *m)
{
    const int32_t block = (int32_t)fmax(2, ceil(64 / m->tile));
    paper_font(&m->c, 12, false);
    for (int32_t row = 0; row + block <= m->v->rows; row += block)
        for (int32_t col = 0; col + block <= m->v->cols; col += block) {
            double sum = 0, square = 0;
            int32_t n = 0;
            for (int32_t r = row; r < row + block; r++)
                for (int32_t k = col; k < col + block; k++) {
                    const struct tile_verdict *t = &m->v->tiles[(size_t)r * (size_t)m->v->cols + (size_t)k];
                    if (t->state != TILE_COVERED || !t->peak_count) continue;
                    sum += (double)t->peak[0];
                    square += (double)t->peak[0] * (double)t->peak[0];
                    n++;
                }
            if (4 * n < 3 * block * block) continue;
            const double mean = sum / n, spread = sqrt(fmax(0, square / n - mean * mean));
            if (spread > fmax(2.5, m->v->frames / 16.0)) continue;
            char text[16];
            const int32_t frame = (int32_t)fmin(fmax(round(mean), 0), m->v->frames - 1);
            snprintf(text, sizeof text, "%d", m->of->rows[frame].slice);
            paper_text(&m->c, (col + block / 2.0) * m->tile, (row + block / 2.0) * m->tile + 4, 0.5,
                       palette_ink_on(palette_scale(pictures_scale_at(m->v, mean))), text);
        }
}

static bool place_at(const struct map *, int32_t i, double *x, double *y);

/* Moves a label up or down until it hides no weak place. */
static double clear_of_places(const struct map *m, double x, double y, double w, double h)
{
    double px, py;
    for (int32_t i = 0; i < m->v->weakest_count; i++) {
        if (!place_at(m, i, &px, &py)) continue;
        const double reach = m->tile + 34;
        if (px < x - reach || px > x + w + reach || py < y - reach || py > y + h + reach) continue;
        y = py + reach + h < m->h ? py + reach : py - reach - h;
    }
    return y;
}

static void label(struct map *m, double x, double y, const char *text)
{
    paper_font(&m->c, 14, true);
    const double w = paper_text_width(&m->c, text) + 16, h = 26;
    x = fmin(fmax(x - w / 2, 4), m->w - w - 4);
    y = fmin(fmax(clear_of_places(m, x, y - h / 2, w, h), 4), m->h - h - 4);
    paper_fill(&m->c, x, y, w, h, PALETTE_PAPER);
    paper_frame(&m->c, x, y, w, h, PALETTE_ALARM, 2);
    paper_text(&m->c, x + 8, y + 18, 0, PALETTE_ALARM, text);
}

static const char *state_words(enum tile_state s)
{
    switch (s) {
    case TILE_UNSHARP_BEFORE:
        return "nearer than the first frame";
    case TILE_UNSHARP_AFTER:
        return "beyond the last frame";
    case TILE_GAP:
        return "lost in a gap";
    case TILE_NO_TEXTURE:
        return "no texture: nothing can be said";
    case TILE_COVERED:
        return "sharp";
    case TILE_OUTSIDE:
        return "not looked at";
    }
    return "";
}

struct patch {
    int32_t tiles;
    double x, y; /* of the member nearest to its middle, in tiles */
};

/* The connected patch of one state that holds `start`; its tiles are marked in `seen`. `queue` is as long as
 * the grid. */
static struct patch flood(const struct map *m, int32_t start, uint8_t *seen, int32_t *queue)
{
    static const int32_t dr[] = {-1, 1, 0, 0}, dc[] = {0, 0, -1, 1};
    const enum tile_state s = m->v->tiles[start].state;
    int32_t head = 0, tail = 0;
    double sx = 0, sy = 0;
    queue[tail++] = start;
    seen[start] = 1;
    while (head < tail) {
        const int32_t at = queue[head++], row = at / m->v->cols, col = at % m->v->cols;
        sx += col, sy += row;
        for (int k = 0; k < 4; k++) {
            if (state_of(m, row + dr[k], col + dc[k]) != s) continue;
            const int32_t next = (row + dr[k]) * m->v->cols + col + dc[k];
            if (next < 0 || next >= m->v->rows * m->v->cols || seen[next]) continue;
            seen[next] = 1;
            queue[tail++] = next;
        }
    }
    struct patch p = {tail, 0, 0};
    double nearest = HUGE_VAL;
    for (int32_t i = 0; i < tail; i++) {
        const int32_t x = queue[i] % m->v->cols, y = queue[i] / m->v->cols;
        const double d = hypot(x - sx / tail, y - sy / tail);
        if (d < nearest) nearest = d, p.x = x, p.y = y;
    }
    return p;
}

/* The largest patch of each unsharp state is named in place. */
static int name_patches(struct map *m, struct err *why)
{
    const int32_t tiles = m->v->rows * m->v->cols;
    struct patch largest[TILE_GAP + 1] = {0};
    int32_t *queue = mem_new((size_t)tiles, sizeof *queue, why);
    uint8_t *seen = queue ? mem_new((size_t)tiles, 1, why) : NULL;
    for (int32_t i = 0; seen && i < tiles; i++) {
        const enum tile_state s = m->v->tiles[i].state;
        if (seen[i] || !unsharp(s)) continue;
        const struct patch p = flood(m, i, seen, queue);
        if (p.tiles > largest[s].tiles) largest[s] = p;
    }
    for (enum tile_state s = TILE_UNSHARP_BEFORE; seen && s <= TILE_GAP; s++)
        if (largest[s].tiles >= 3)
            label(m, (largest[s].x + 0.5) * m->tile, (largest[s].y + 0.5) * m->tile, state_words(s));
    const int rc = seen ? E_OK : E_NOMEM;
    mem_free(queue);
    mem_free(seen);
    return rc;
}

/* Where a weak place lies in the first frame, in map pixels. */
static bool place_at(const struct map *m, int32_t i, double *x, double *y)
{
    const struct weak_place *k = &m->v->weakest[i];
    if (k->frame < 0 || k->frame >= m->v->frames) return false;
    const struct placing *p = &m->placings[k->frame];
    const struct frame_measure *f = &m->of->measures[0];
    *x = ((k->at_x_px - f->width_px / 2.0 - p->dx_px) / p->scale + f->width_px / 2.0) * m->px;
    *y = ((k->at_y_px - f->height_px / 2.0 - p->dy_px) / p->scale + f->height_px / 2.0) * m->px;
    return true;
}

/* A ring with the number of a weak place beside the tile itself, which stays in view in a box. */
static void mark_place(struct map *m, int32_t number, double x, double y)
{
    const double away = m->tile / 2 + 16;
    const double rx = x + away < m->w - 16 ? x + away : x - away, ry = y - away > 16 ? y - away : y + away;
    char text[16];
    snprintf(text, sizeof text, "%d", number);
    paper_frame(&m->c, x - m->tile / 2 - 1, y - m->tile / 2 - 1, m->tile + 2, m->tile + 2, PALETTE_INK, 4);
    paper_frame(&m->c, x - m->tile / 2 - 1, y - m->tile / 2 - 1, m->tile + 2, m->tile + 2,
                (struct rgb){1, 1, 1}, 2);
    cairo_arc(m->c.cr, rx, ry, 13, 0, 2 * M_PI);
    paper_ink(&m->c, (struct rgb){1, 1, 1}, 1);
    cairo_fill_preserve(m->c.cr);
    paper_ink(&m->c, PALETTE_INK, 1);
    cairo_set_line_width(m->c.cr, 2.5);
    cairo_stroke(m->c.cr);
    paper_font(&m->c, 15, true);
    paper_text(&m->c, rx, ry + 5.5, 0.5, PALETTE_INK, text);
}

static void mark_places(struct map *m)
{
    double x, y;
    for (int32_t i = 0; i < m->v->weakest_count; i++)
        if (place_at(m, i, &x, &y)) mark_place(m, i + 1, x, y);
}

static void draw_scale(struct map *m, double x, double y, double w)
{
    const struct verdict *v = m->v;
    for (int32_t i = 0; i < (int32_t)w; i++)
        paper_fill(&m->c, x + i, y, 1, 18, palette_scale(i / w));
    paper_font(&m->c, 13, false);
    if (v->useful_first < 0) return;
    const int32_t span = v->useful_last - v->useful_first, ticks = span < 8 ? (span > 0 ? span : 1) : 8;
    for (int32_t k = 0; k <= ticks; k++) {
        const int32_t frame = v->useful_first + (int32_t)lround((double)span * k / ticks);
        const double at = x + w * (span ? pictures_scale_at(v, frame) : (double)k / ticks);
        char text[16];
        snprintf(text, sizeof text, "%d", m->of->rows[frame].slice);
        paper_fill(&m->c, fmin(at, x + w - 1), y + 18, 1, 5, PALETTE_INK);
        paper_text(&m->c, at, y + 38, 0.5, PALETTE_INK, text);
    }
}

static double legend_entry(struct map *m, double x, double y, enum tile_state s)
{
    char text[96];
    int32_t tiles = 0, looked_at = 0;
    for (int32_t i = 0; i < m->v->rows * m->v->cols; i++) {
        tiles += m->v->tiles[i].state == s;
        looked_at += m->v->tiles[i].state != TILE_OUTSIDE;
    }
    if (!tiles) return x;
    paper_fill(&m->c, x, y, 22, 18, palette_rgb((struct lab){s == TILE_OUTSIDE ? 0.55 : 0.86, 0, 0}));
    if (unsharp(s)) hatch(&m->c, x, y, 22, 18, s);
    if (s == TILE_NO_TEXTURE) {
        paper_ink(&m->c, PALETTE_QUIET, 1);
        cairo_arc(m->c.cr, x + 11, y + 9, 2, 0, 2 * M_PI);
        cairo_fill(m->c.cr);
    }
    paper_frame(&m->c, x, y, 22, 18, unsharp(s) ? PALETTE_ALARM : PALETTE_QUIET, 1);
    if (s == TILE_OUTSIDE)
        snprintf(text, sizeof text, "%s", state_words(s));
    else
        snprintf(text, sizeof text, "%s (%.1f %%)", state_words(s), 100.0 * tiles / looked_at);
    paper_font(&m->c, 13, false);
    paper_text(&m->c, x + 30, y + 14, 0, PALETTE_INK, text);
    return x + 30 + paper_text_width(&m->c, text) + 26;
}

static void draw_legend(struct map *m)
{
    const double y = m->h + 18;
    paper_font(&m->c, 13, true);
    paper_text(&m->c, 16, y + 14, 0, PALETTE_INK, "sharp in slice");
    draw_scale(m, 150, y, COVERAGE_WIDTH - 150 - 40.0);
    double x = 16;
    x = legend_entry(m, x, y + 66, TILE_UNSHARP_BEFORE);
    x = legend_entry(m, x, y + 66, TILE_GAP);
    x = legend_entry(m, x, y + 66, TILE_UNSHARP_AFTER);
    x = legend_entry(m, x, y + 66, TILE_NO_TEXTURE);
    legend_entry(m, x, y + 66, TILE_OUTSIDE);
}

static int draw(struct map *m, struct err *why)
{
    const size_t pixels = (size_t)m->w * (size_t)m->h;
    m->luma = mem_new(pixels, sizeof *m->luma, why);
    m->smooth = mem_new(pixels, sizeof *m->smooth, why);
    m->placings = mem_new((size_t)m->v->frames, sizeof *m->placings, why);
    if (!m->luma || !m->smooth || !m->placings) return E_NOMEM;
    pictures_placings(m->of->measures, m->v->frames, m->placings);
    gather_luma(m);
    int rc = smooth_luma(m, why);
    if (rc) return rc;
    paint_subject(m);
    paint_states(m);
    write_numbers(m);
    rc = name_patches(m, why);
    mark_places(m);
    draw_legend(m);
    return rc;
}

static int pack(struct map *m, struct drawing *bare, struct drawing *explained, struct err *why)
{
    struct drawing first;
    int rc = paper_png(&m->c, m->h, &first, why);
    if (rc) return rc;
    rc = paper_png(&m->c, PAPER_SIDE_MOST, explained, why);
    if (rc)
        drawing_clear(&first);
    else
        *bare = first;
    return rc;
}

int pictures_coverage(const struct pictures_of *of, struct drawing *bare, struct drawing *explained,
                      struct err *why)
{
    const struct verdict *v = of->verdict;
    if (v->frames < 1 || v->rows < 1 || v->cols < 1) return fail(why, E_INPUT, "there is no frame to show");
    const struct frame_measure *first = &of->measures[0];
    struct map m = {.of = of, .v = v, .w = COVERAGE_WIDTH};
    m.px = (double)COVERAGE_WIDTH / first->width_px;
    m.h = (int32_t)lround(first->height_px * m.px);
    m.tile = v->tile_px * m.px;
    int rc = paper_init(&m.c, m.w, m.h + LEGEND_HEIGHT, PALETTE_PAPER, why);
    if (rc) return rc;
    rc = draw(&m, why);
    if (!rc) rc = pack(&m, bare, explained, why);
    paper_clear(&m.c);
    mem_free(m.luma);
    mem_free(m.smooth);
    mem_free(m.placings);
    return rc;
}
