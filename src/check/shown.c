#include "check/shown.h"

#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "image/turned.h"

/* None told is as good as 1. */
static int32_t told_by(const struct check_input *in, int32_t frame)
{
    const int32_t told = in->measures[frame]->orientation;
    return turned(told) ? told : 1;
}

int32_t shown_orientation(const struct check_input *in)
{
    for (int32_t i = 1; i < in->frames; i++)
        if (told_by(in, i) != told_by(in, 0)) return 1;
    return told_by(in, 0);
}

struct region_px shown_region_to_stored(const struct check_input *in)
{
    const struct frame_measure *m = in->measures[0];
    if (!in->region.w) return in->region;
    return turned_box_to_stored(shown_orientation(in), m->width_px, m->height_px, in->region);
}

/* ---- the grid ---- */

/* How a grid of tiles lies in a picture, both as stored. */
struct lie {
    int32_t orientation, w, h, rows, cols, tile_px;
};

/* rows x cols things of `size` bytes each, one a tile; the caller frees what it gave. NULL: no memory. */
static void *turn_tiles(const struct lie *g, const void *stored, size_t size, struct err *why)
{
    uint8_t *shown = mem_new((size_t)g->rows * (size_t)g->cols, size, why);
    if (!shown) return NULL;
    const struct view from = turned_view(g->orientation, stored, g->cols, g->rows, (int32_t)size);
    for (int32_t y = 0; y < from.height_px; y++)
        for (int32_t x = 0; x < from.width_px; x++)
            memcpy(shown + ((size_t)y * (size_t)from.width_px + (size_t)x) * size, view_at(&from, x, y),
                   size);
    return shown;
}

static struct region_px turn_grid(const struct lie *g)
{
    const struct region_px grid = {0, 0, g->cols * g->tile_px, g->rows * g->tile_px};
    return turned_box_to_shown(g->orientation, g->w, g->h, grid);
}

static void swap(int32_t *a, int32_t *b)
{
    const int32_t kept = *a;
    *a = *b;
    *b = kept;
}

static void turn_places(int32_t orientation, struct frame_place *place, int32_t frames)
{
    for (int32_t i = 0; i < frames; i++)
        turned_way_to_shown(orientation, &place[i].dx_px, &place[i].dy_px);
}

/* ---- the parts of a verdict ---- */

static void turn_motion(const struct lie *g, struct verdict *v)
{
    turned_way_to_shown(g->orientation, &v->drift.x_px, &v->drift.y_px);
    turned_way_to_shown(g->orientation, &v->drift.x_px_per_min, &v->drift.y_px_per_min);
    turned_way_to_shown(g->orientation, &v->drift.closing_x_px, &v->drift.closing_y_px);
    for (int32_t k = 0; k < v->group_count; k++)
        turned_way_to_shown(g->orientation, &v->groups[k].jump_x_px, &v->groups[k].jump_y_px);
}

/* What is lost at the left is what a way to the left points to. */
static void turn_border(const struct lie *g, struct border_verdict *b)
{
    const struct border_verdict stored = *b;
    const double lost[4] = {stored.left_px, stored.right_px, stored.top_px, stored.bottom_px};
    double *const side[4] = {&b->left_px, &b->right_px, &b->top_px, &b->bottom_px};
    static const int way[4][2] = {{-1, 0}, {1, 0}, {0, -1}, {0, 1}};
    for (int k = 0; k < 4; k++) {
        double x = way[k][0], y = way[k][1];
        turned_way_to_shown(g->orientation, &x, &y);
        *side[x < 0 ? 0 : x > 0 ? 1 : y < 0 ? 2 : 3] = lost[k];
    }
}

/* The axis is counted counter-clockwise from the width, so its way up is -y. */
static void turn_axis(const struct lie *g, double *deg)
{
    if (isnan(*deg)) return;
    double x = cos(*deg * M_PI / 180), y = -sin(*deg * M_PI / 180);
    turned_way_to_shown(g->orientation, &x, &y);
    const double turned_deg = atan2(-y, x) * 180 / M_PI;
    *deg = turned_deg < 0 ? turned_deg + 180 : turned_deg >= 180 ? turned_deg - 180 : turned_deg;
}

static void turn_weak(const struct lie *g, struct weak_place *p)
{
    double x = p->at_x_px, y = p->at_y_px;
    const struct region_px box = turned_box_to_shown(g->orientation, g->w, g->h,
                                                     (struct region_px){p->x_px, p->y_px, p->w_px, p->h_px});
    const bool side = turned_on_side(g->orientation);
    turned_point_to_shown(g->orientation, g->w, g->h, &x, &y);
    p->at_x_px = (int32_t)fmin(x, (side ? g->h : g->w) - 1);
    p->at_y_px = (int32_t)fmin(y, (side ? g->w : g->h) - 1);
    p->x_px = box.x, p->y_px = box.y, p->w_px = box.w, p->h_px = box.h;
}

static void turn_spot(const struct lie *g, struct sensor_spot *s)
{
    const double middle = s->hot ? 0.5 : 0;
    s->x_px += middle, s->y_px += middle;
    turned_point_to_shown(g->orientation, g->w, g->h, &s->x_px, &s->y_px);
    s->x_px -= middle, s->y_px -= middle;
}

static void turn_parts(const struct lie *g, struct verdict *v)
{
    turn_places(g->orientation, v->place, v->frames);
    turn_motion(g, v);
    turn_border(g, &v->border);
    turn_axis(g, &v->quiet.axis_deg);
    for (int32_t i = 0; i < v->weakest_count; i++)
        turn_weak(g, &v->weakest[i]);
    for (int32_t i = 0; i < v->spot_count; i++)
        turn_spot(g, &v->spots[i]);
    if (v->region.w) v->region = turned_box_to_shown(g->orientation, g->w, g->h, v->region);
}

int shown_verdict(struct verdict *v, int32_t orientation, struct err *why)
{
    const struct lie g = {orientation, v->width_px, v->height_px, v->rows, v->cols, v->tile_px};
    if (!turned(orientation)) return E_OK;
    struct tile_verdict *tiles = turn_tiles(&g, v->tiles, sizeof *tiles, why);
    if (!tiles) return E_NOMEM;
    mem_free(v->tiles);
    v->tiles = tiles;
    const struct region_px grid = turn_grid(&g);
    v->grid_x_px = grid.x;
    v->grid_y_px = grid.y;
    v->orientation = orientation;
    turn_parts(&g, v);
    if (turned_on_side(orientation)) {
        swap(&v->rows, &v->cols);
        swap(&v->width_px, &v->height_px);
    }
    return E_OK;
}

int shown_where(struct where_map *m, int32_t orientation, struct err *why)
{
    const struct lie g = {orientation, m->width_px, m->height_px, m->rows, m->cols, m->tile_px};
    m->orientation = orientation;
    if (!turned(orientation)) return E_OK;
    struct where_tile *tiles = turn_tiles(&g, m->tiles, sizeof *tiles, why);
    if (!tiles) return E_NOMEM;
    mem_free(m->tiles);
    m->tiles = tiles;
    const struct region_px grid = turn_grid(&g);
    m->grid_x_px = grid.x;
    m->grid_y_px = grid.y;
    turn_places(orientation, m->place, m->frames);
    if (turned_on_side(orientation)) {
        swap(&m->rows, &m->cols);
        swap(&m->width_px, &m->height_px);
    }
    return E_OK;
}
