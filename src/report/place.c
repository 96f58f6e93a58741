/* A weak place at 100 %: what surrounds it in its best frame, corner marks around the tile itself. */
#include <math.h>
#include <stdio.h>

#include "image/turned.h"
#include "report/pictures.h"

/* Where a window of `size` around `centre` begins, kept inside 0..whole. */
static int32_t window_start(int32_t centre, int32_t size, int32_t whole)
{
    int32_t at = centre - size / 2;
    if (at + size > whole) at = whole - size;
    return at < 0 ? 0 : at;
}

static void copy_pixels(struct paper *c, const struct view *from, int32_t x0, int32_t y0)
{
    int32_t stride;
    uint32_t *words = paper_pixels(c, &stride);
    for (int32_t y = 0; y < c->h; y++)
        for (int32_t x = 0; x < c->w; x++) {
            const uint8_t *p = view_at(from, x0 + x, y0 + y);
            words[(size_t)y * (size_t)stride + (size_t)x] = (uint32_t)p[0] << 16 | (uint32_t)p[1] << 8 | p[2];
        }
    paper_touched(c);
}

static void corner(struct paper *c, double x, double y, double dx, double dy)
{
    cairo_move_to(c->cr, x + dx, y);
    cairo_line_to(c->cr, x, y);
    cairo_line_to(c->cr, x, y + dy);
}

/* Four corners, dark under light, so that they show on any subject and hide none of it. */
static void mark(struct paper *c, double x, double y, double w, double h)
{
    const double arm = fmax(6, fmin(w, h) / 3), away = 5;
    x -= away, y -= away, w += 2 * away, h += 2 * away;
    for (int pass = 0; pass < 2; pass++) {
        paper_ink(c, pass ? (struct rgb){1, 1, 1} : PALETTE_INK, 1);
        cairo_set_line_width(c->cr, pass ? 1.5 : 4);
        corner(c, x, y, arm, arm);
        corner(c, x + w, y, -arm, arm);
        corner(c, x, y + h, arm, -arm);
        corner(c, x + w, y + h, -arm, -arm);
        cairo_stroke(c->cr);
    }
}

int pictures_place(const struct pictures_of *p, int which, const uint8_t *rgb, int32_t width_px,
                   int32_t height_px, struct drawing *out, struct err *why)
{
    if (which < 0 || which >= p->verdict->weakest_count)
        return fail(why, E_INPUT, "there is no weak place %d", which + 1);
    const struct weak_place *k = &p->verdict->weakest[which];
    const struct view from = turned_view(p->verdict->orientation, rgb, width_px, height_px, 3);
    const int32_t w = from.width_px < PLACE_WIDTH ? from.width_px : PLACE_WIDTH;
    const int32_t h = from.height_px < PLACE_HEIGHT ? from.height_px : PLACE_HEIGHT;
    const int32_t x0 = window_start(k->at_x_px, w, from.width_px);
    const int32_t y0 = window_start(k->at_y_px, h, from.height_px);
    struct paper c;
    int rc = paper_init(&c, w, h, PALETTE_PAPER, why);
    if (rc) return rc;
    copy_pixels(&c, &from, x0, y0);
    const double side = p->verdict->tile_px;
    mark(&c, k->at_x_px - x0 - side / 2, k->at_y_px - y0 - side / 2, side, side);
    rc = paper_png(&c, PAPER_SIDE_MOST, out, why);
    paper_clear(&c);
    return rc;
}
