/* What is marked on the coverage map: ground that is sharp in no slice, ground without texture, weak places.
 */
#include <math.h>
#include <stdio.h>

#include "report/coverage.h"

bool map_unsharp(enum tile_state s)
{
    return s == TILE_UNSHARP_BEFORE || s == TILE_UNSHARP_AFTER || s == TILE_GAP;
}

/* Hatching of a box: falling, rising or both. Lines keep their places across neighbouring boxes. */
void map_hatch(struct paper *c, double x, double y, double w, double h, enum tile_state state)
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

enum tile_state map_state_of(const struct map *m, int32_t row, int32_t col)
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
    const double x = map_x(m, col), y = map_y(m, row), e = m->tile;
    if (map_state_of(m, row - 1, col) != s) line(&m->c, x, y, x + e, y);
    if (map_state_of(m, row + 1, col) != s) line(&m->c, x, y + e, x + e, y + e);
    if (map_state_of(m, row, col - 1) != s) line(&m->c, x, y, x, y + e);
    if (map_state_of(m, row, col + 1) != s) line(&m->c, x + e, y, x + e, y + e);
    paper_ink(&m->c, PALETTE_ALARM, 1);
    cairo_set_line_width(m->c.cr, 3);
    cairo_stroke(m->c.cr);
}

void map_paint_states(struct map *m)
{
    for (int32_t row = 0; row < m->v->rows; row++)
        for (int32_t col = 0; col < m->v->cols; col++) {
            const enum tile_state s = map_state_of(m, row, col);
            const double x = map_x(m, col), y = map_y(m, row);
            if (map_unsharp(s)) {
                map_hatch(&m->c, x, y, m->tile, m->tile, s);
                outline(m, row, col, s);
            } else if (s == TILE_NO_TEXTURE) {
                paper_ink(&m->c, PALETTE_QUIET, 0.8);
                cairo_arc(m->c.cr, x + m->tile / 2, y + m->tile / 2, fmax(0.9, m->tile / 16), 0, 2 * M_PI);
                cairo_fill(m->c.cr);
            }
        }
}

bool map_place_at(const struct map *m, int32_t i, double *x, double *y)
{
    const struct weak_place *k = &m->v->weakest[i];
    if (k->frame < 0 || k->frame >= m->v->frames) return false;
    const struct frame_place *p = &m->v->place[k->frame];
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

void map_mark_places(struct map *m)
{
    double x, y;
    for (int32_t i = 0; i < m->v->weakest_count; i++)
        if (map_place_at(m, i, &x, &y)) mark_place(m, i + 1, x, y);
}
