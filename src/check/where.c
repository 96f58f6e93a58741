#include "check/where.h"

#include <math.h>

#include "base/mem.h"
#include "check/curves.h"
#include "check/shown.h"

/* The sharpest first; of two alike the earlier one. */
static void put_frame(struct where_tile *w, int32_t frame, double signal)
{
    int32_t at = w->count < WHERE_FRAMES ? w->count : WHERE_FRAMES;
    while (at > 0 && signal > w->sharpness[at - 1])
        at--;
    if (at == WHERE_FRAMES) return;
    if (w->count < WHERE_FRAMES) w->count++;
    for (int32_t k = w->count - 1; k > at; k--) {
        w->frame[k] = w->frame[k - 1];
        w->sharpness[k] = w->sharpness[k - 1];
    }
    w->frame[at] = frame;
    w->sharpness[at] = signal;
}

static int32_t whole_frame(const struct tiles *t, double at)
{
    const int32_t i = (int32_t)lround(at);
    return i < 0 ? 0 : i >= t->frames ? t->frames - 1 : i;
}

/* A second peak within the three frames, or next to one of them, is nothing else. */
static bool is_among(const struct where_tile *w, int32_t frame)
{
    for (int32_t k = 0; k < w->count; k++)
        if (frame >= w->frame[k] - 1 && frame <= w->frame[k] + 1) return true;
    return false;
}

static struct where_tile look(const struct tiles *t, const struct tile_curve *c, int32_t tile)
{
    struct where_tile w = {.peak = NAN};
    if (c->scale < 0) return w;
    for (int32_t i = c->first; i <= c->last; i++) {
        const double signal = tiles_signal(t, c->scale, tile, i);
        if (!isnan(signal)) put_frame(&w, i, signal);
    }
    const double most = w.sharpness[0]; /* energies so far: contrast goes as their root */
    for (int32_t k = 0; k < w.count; k++)
        w.sharpness[k] = sqrt(w.sharpness[k] / most);
    if (c->peak_count) {
        w.peak = c->peak[0].at;
        w.confidence = c->peak[0].confidence;
    }
    for (int32_t k = 1; k < c->peak_count && w.others < WHERE_OTHERS; k++) {
        const int32_t frame = whole_frame(t, c->peak[k].at);
        if (!is_among(&w, frame)) w.other[w.others++] = frame;
    }
    return w;
}

static int fill(const struct tiles *t, const struct tile_curve *curves, struct where_map *m, struct err *why)
{
    m->place = mem_new((size_t)t->frames, sizeof *m->place, why);
    m->tiles = m->place ? mem_new((size_t)t->count, sizeof *m->tiles, why) : NULL;
    if (!m->tiles) return E_NOMEM;
    for (int32_t i = 0; i < t->frames; i++)
        m->place[i] = t->place[i];
    for (int32_t tile = 0; tile < t->count; tile++)
        m->tiles[tile] = look(t, &curves[tile], tile);
    return E_OK;
}

int where_new(const struct check_input *in, struct where_map *out, struct err *why)
{
    struct check_input all = *in;
    struct tiles t = {0};
    all.region = (struct region_px){0};
    int rc = check_right_input(&all, why);
    if (!rc) rc = tiles_new(&all, &t, why);
    struct tile_curve *curves = rc ? NULL : mem_new((size_t)t.count, sizeof *curves, why);
    struct where_map m = {.frames = t.frames,
                          .rows = t.rows,
                          .cols = t.cols,
                          .tile_px = t.tile_px,
                          .width_px = t.width_px,
                          .height_px = t.height_px};
    if (!rc) rc = curves ? curves_find(&t, curves, why) : E_NOMEM;
    if (!rc) rc = fill(&t, curves, &m, why);
    if (!rc) rc = shown_where(&m, shown_orientation(&all), why);
    mem_free(curves);
    tiles_clear(&t);
    if (rc)
        where_clear(&m);
    else
        *out = m;
    return rc;
}

void where_clear(struct where_map *m)
{
    mem_free(m->place);
    mem_free(m->tiles);
    *m = (struct where_map){0};
}

/* A strip beside the grid belongs to the tile next to it, as on the map. */
static int32_t along(double px, int32_t tile_px, int32_t count)
{
    const int32_t i = (int32_t)floor(px / tile_px);
    return i < 0 ? 0 : i < count ? i : count - 1;
}

const struct where_tile *where_at(const struct where_map *m, double x, double y)
{
    if (!(x >= 0 && y >= 0 && x < m->width_px && y < m->height_px)) return NULL;
    const int32_t row = along(y - m->grid_y_px, m->tile_px, m->rows);
    return &m->tiles[row * m->cols + along(x - m->grid_x_px, m->tile_px, m->cols)];
}

void where_in(const struct where_map *m, int32_t frame, double x, double y, double *x_out, double *y_out)
{
    const struct frame_place *p = &m->place[frame];
    *x_out = m->width_px / 2.0 + p->scale * (x - m->width_px / 2.0) + p->dx_px;
    *y_out = m->height_px / 2.0 + p->scale * (y - m->height_px / 2.0) + p->dy_px;
}

void where_back(const struct where_map *m, int32_t frame, double x, double y, double *x_out, double *y_out)
{
    const struct frame_place *p = &m->place[frame];
    *x_out = m->width_px / 2.0 + (x - m->width_px / 2.0 - p->dx_px) / p->scale;
    *y_out = m->height_px / 2.0 + (y - m->height_px / 2.0 - p->dy_px) / p->scale;
}

bool where_nearest(const struct where_map *m, double x, double y, double *x_out, double *y_out)
{
    double least = INFINITY;
    for (int32_t i = 0; i < m->rows * m->cols; i++) {
        if (!m->tiles[i].count) continue;
        const int32_t row = i / m->cols;
        const double tx = m->grid_x_px + (i % m->cols + 0.5) * m->tile_px,
                     ty = m->grid_y_px + (row + 0.5) * m->tile_px;
        const double d = hypot(tx - x, ty - y);
        if (d >= least) continue;
        least = d;
        *x_out = fmin(fmax(tx, 0), m->width_px - 1);
        *y_out = fmin(fmax(ty, 0), m->height_px - 1);
    }
    return isfinite(least);
}

int64_t where_position_nm(const struct frame_row *rows, int32_t count, double frame)
{
    if (!rows || !(frame >= 0 && frame <= count - 1)) return STACK_NONE;
    const int32_t before = (int32_t)frame, after = before + 1 < count ? before + 1 : before;
    const int64_t a = rows[before].target_nm, b = rows[after].target_nm;
    if (a == STACK_NONE || b == STACK_NONE) return STACK_NONE;
    return a + llround((frame - before) * (double)(b - a));
}
