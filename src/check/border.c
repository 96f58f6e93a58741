#include <math.h>

#include "check/work.h"

/* A frame's picture as the picture of another sees it, px from that one's centre. */
struct field {
    double left, right, top, bottom;
};

static struct field field_of(const struct tiles *t, int32_t frame, int32_t as_seen_in)
{
    const struct frame_place *p = &t->place[frame], *q = &t->place[as_seen_in];
    const double k = q->scale / p->scale, half_w = t->width_px / 2.0, half_h = t->height_px / 2.0;
    return (struct field){.left = k * (-half_w - p->dx_px) + q->dx_px,
                          .right = k * (half_w - p->dx_px) + q->dx_px,
                          .top = k * (-half_h - p->dy_px) + q->dy_px,
                          .bottom = k * (half_h - p->dy_px) + q->dy_px};
}

static double planned_fraction(const struct work *w, int32_t first, int32_t last)
{
    const double *scale = w->in->planned_scale;
    if (!scale) return NAN;
    double least = scale[first], most = scale[first];
    for (int32_t i = first; i <= last; i++) {
        least = fmin(least, scale[i]);
        most = fmax(most, scale[i]);
    }
    return 1 - least / most;
}

/* Scales this near are alike: the first frame's side of a drift is then told, not one of chance. */
#define ALIKE 0.003

void border_find(struct work *w)
{
    const struct tiles *t = &w->tiles;
    struct border_verdict *b = &w->v.border;
    const int32_t first = w->v.useful_first, last = w->v.useful_last;
    *b = (struct border_verdict){.planned_fraction = NAN};
    if (first < 0) return;
    const bool shrinks = t->place[last].scale < (1 - ALIKE) * t->place[first].scale;
    const int32_t widest = shrinks ? last : first;
    for (int32_t i = first; i <= last; i++) {
        const struct field f = field_of(t, i, widest);
        b->left_px = fmax(b->left_px, f.left + t->width_px / 2.0);
        b->right_px = fmax(b->right_px, t->width_px / 2.0 - f.right);
        b->top_px = fmax(b->top_px, f.top + t->height_px / 2.0);
        b->bottom_px = fmax(b->bottom_px, t->height_px / 2.0 - f.bottom);
    }
    b->known = true;
    b->planned_fraction = planned_fraction(w, first, last);
}
