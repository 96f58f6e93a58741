/* spots.c - what stays put on the sensor whatever the subject does: hot pixels, and the soft shadows of dust.
 *
 * A detail of the subject can stay put, too: in the middle of the picture nothing moves while the scale
 * changes. But it goes out of focus. So what counts is what is there in the frames in which the subject at
 * that place is far out of focus: a lone bright pixel that a blur of two pixels would have spread, a dark
 * blob that a blur of twice its size would have dissolved. How wide the blur is, is told by the shape of the
 * curves (shape.h). What never shows texture is never in focus: there a dip has to be the same in all frames.
 * A few frames spread over the stack are looked at. */
#include "check/spots_part.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "check/robust.h"
#include "image/measure_io.h"

#define FRAMES_LEAST 8

static void choose_frames(struct spot_look *l)
{
    const int32_t n = l->w->in->frames;
    const int32_t want = n < SPOT_FRAMES_MOST ? n : SPOT_FRAMES_MOST;
    for (int32_t k = 0; k < want; k++) {
        const int32_t i = want > 1 ? (int32_t)((int64_t)k * (n - 1) / (want - 1)) : 0;
        if (!l->w->odd_light[i]) l->frame[l->frames++] = i;
    }
}

/* Where the Laplacian at 1/8 size has a tenth of its energy left, a disc of 15 px has blurred the picture: it
 * sees 0.055 cycles a pixel best (shape.c), and 2 J1(x) / x is 0.316 at x = 2.7 (Hopkins 1955, geometric
 * limit, from memory). */
#define BLUR_PX  15.0
#define COARSEST (MEASURE_SCALES - 1)

static double blur_px_per_spacing(const struct focus_shape *s)
{
    const double most = SHAPE_BIN * SHAPE_BINS;
    if (!s->tiles || !s->read[COARSEST]) return 0;
    const double at = shape_distance(s, COARSEST, log(10), most);
    return at > 0 && at < most ? BLUR_PX / at : 0;
}

static double smaller(double a, double b)
{
    return a < b ? a : b;
}

static double nearest_peak(const struct tile_curve *c, int32_t frame)
{
    double least = INFINITY;
    for (int32_t k = 0; k < c->peak_count; k++)
        least = smaller(least, fabs(frame - c->peak[k].at));
    return least;
}

static int find_near(struct spot_look *l, struct err *why)
{
    const int32_t tiles = l->w->tiles.count;
    l->near = mem_new((size_t)tiles * (size_t)l->frames, sizeof *l->near, why);
    for (int32_t k = 0; l->near && k < l->frames; k++)
        for (int32_t tile = 0; tile < tiles; tile++)
            l->near[(size_t)k * (size_t)tiles + (size_t)tile] =
                (float)nearest_peak(&l->w->curves[tile], l->frame[k]);
    return l->near ? E_OK : E_NOMEM;
}

static int32_t tile_at(double px, int32_t tile_px, int32_t count)
{
    const int32_t at = (int32_t)floor(px / tile_px);
    return at < 0 ? 0 : at >= count ? count - 1 : at;
}

double spots_away(const struct spot_look *l, int32_t k, double x_px, double y_px, double reach_px)
{
    const struct work *w = l->w;
    const struct tiles *t = &w->tiles;
    const int32_t frame = l->frame[k];
    const struct frame_place *p = &t->place[frame];
    const double x = (x_px - t->width_px / 2.0 - p->dx_px) / p->scale + t->width_px / 2.0,
                 y = (y_px - t->height_px / 2.0 - p->dy_px) / p->scale + t->height_px / 2.0;
    if (x < 0 || y < 0 || x >= t->cols * t->tile_px || y >= t->rows * t->tile_px) return NAN;
    const int32_t u0 = tile_at(x - reach_px, t->tile_px, t->cols),
                  u1 = tile_at(x + reach_px, t->tile_px, t->cols),
                  v0 = tile_at(y - reach_px, t->tile_px, t->rows),
                  v1 = tile_at(y + reach_px, t->tile_px, t->rows);
    const float *near = l->near + (size_t)k * (size_t)t->count;
    double least = INFINITY;
    for (int32_t v = v0; v <= v1; v++)
        for (int32_t u = u0; u <= u1; u++)
            least = smaller(least, (double)near[v * t->cols + u]);
    return least;
}

int spots_add(struct verdict *v, const struct sensor_spot *s, struct err *why)
{
    struct sensor_spot *rows =
        mem_grow(v->spots, (size_t)v->spot_count, (size_t)v->spot_count + 1, sizeof *rows, why);
    if (!rows) return E_NOMEM;
    v->spots = rows;
    rows[v->spot_count++] = *s;
    return E_OK;
}

static int gather_frame(struct spot_look *l, int32_t k, double *noise, struct err *why)
{
    const struct frame_measure *m;
    struct frame_measure brought;
    int rc = tiles_bring(l->w->in, l->frame[k], &brought, &m, why);
    if (rc) return rc;
    for (int32_t c = 0; c < l->cells; c++)
        l->brightest[(size_t)c * (size_t)l->frames + (size_t)k] =
            (struct found){m->cells[c].outlier, m->cells[c].outlier_x_px, m->cells[c].outlier_y_px};
    const size_t pixels = (size_t)l->thumb_w * (size_t)l->thumb_h;
    if (m->thumb && m->thumb_w == l->thumb_w && m->thumb_h == l->thumb_h)
        memcpy(l->thumb + (size_t)k * pixels, m->thumb, pixels);
    noise[k] = (double)m->noise;
    frame_measure_clear(&brought);
    return E_OK;
}

static int gather(struct spot_look *l, struct err *why)
{
    const struct frame_measure *m = l->w->in->measures[0];
    double noise[SPOT_FRAMES_MOST];
    l->cells = m->rows * m->cols;
    l->thumb_w = m->thumb_w;
    l->thumb_h = m->thumb_h;
    const size_t pixels = (size_t)l->thumb_w * (size_t)l->thumb_h, frames = (size_t)l->frames;
    l->brightest = mem_new((size_t)l->cells * frames, sizeof *l->brightest, why);
    l->thumb = l->brightest && pixels ? mem_new(pixels * frames, 1, why) : NULL;
    int rc = l->brightest && (l->thumb || !pixels) ? E_OK : E_NOMEM;
    for (int32_t k = 0; k < l->frames && !rc; k++)
        rc = gather_frame(l, k, noise, why);
    if (!rc) l->noise = robust_median(noise, l->frames);
    return rc;
}

static int by_kind_and_strength(const void *a, const void *b)
{
    const struct sensor_spot *p = a, *q = b;
    if (p->hot != q->hot) return p->hot ? 1 : -1;
    if (p->strength != q->strength) return p->strength > q->strength ? -1 : 1;
    return p->y_px != q->y_px ? (p->y_px < q->y_px ? -1 : 1) : (p->x_px > q->x_px) - (p->x_px < q->x_px);
}

int spots_find(struct work *w, struct err *why)
{
    struct spot_look l = {.w = w, .per_blur_px = blur_px_per_spacing(&w->shape)};
    choose_frames(&l);
    if (l.frames < FRAMES_LEAST || !(l.per_blur_px > 0) || w->v.useful_first < 0) return E_OK;
    int rc = find_near(&l, why);
    if (!rc) rc = gather(&l, why);
    if (!rc) rc = spots_find_hot(&l, &w->v, why);
    if (!rc && l.thumb) rc = spots_find_dust(&l, &w->v, why);
    if (!rc && w->v.spot_count)
        qsort(w->v.spots, (size_t)w->v.spot_count, sizeof *w->v.spots, by_kind_and_strength);
    mem_free(l.near);
    mem_free(l.brightest);
    mem_free(l.thumb);
    return rc;
}
