#include <math.h>

#include "base/mem.h"
#include "base/units.h"
#include "check/robust.h"
#include "check/work.h"

/* ---- groups ---- */

static int add_group(struct verdict *v, int32_t first, int32_t last, const struct jump *jump, struct err *why)
{
    struct frame_group *groups =
        mem_grow(v->groups, (size_t)v->group_count, (size_t)v->group_count + 1, sizeof *groups, why);
    if (!groups) return E_NOMEM;
    v->groups = groups;
    groups[v->group_count++] = (struct frame_group){first, last, jump->dx_px, jump->dy_px};
    return E_OK;
}

static int find_groups(struct work *w, struct err *why)
{
    int rc = E_OK;
    int32_t first = 0;
    for (int32_t i = 1; i <= w->in->frames && !rc; i++) {
        if (i < w->in->frames && !w->jumps[i].stays) continue;
        const struct jump none = {0};
        rc = add_group(&w->v, first, i - 1, first ? &w->jumps[first] : &none, why);
        first = i;
    }
    return rc;
}

/* ---- slow drift ---- */

#define DRIFT_STEPS 5    /* fewer tell nothing */
#define DRIFT_SHARE 0.25 /* of the stack that has to tell */

static int64_t time_of(const struct frame_row *r)
{
    return r->triggered_at_us != STACK_NONE ? r->triggered_at_us : r->captured_wall_us;
}

/* Minutes from the first frame to the last; NAN when a time is missing, or they do not grow. */
static double span_minutes(const struct check_input *in)
{
    if (!in->rows) return NAN;
    const bool triggered = in->rows[0].triggered_at_us != STACK_NONE;
    for (int32_t i = 0; i < in->frames; i++) {
        if (time_of(&in->rows[i]) == STACK_NONE) return NAN;
        if ((in->rows[i].triggered_at_us != STACK_NONE) != triggered) return NAN;
        if (i > 0 && time_of(&in->rows[i]) < time_of(&in->rows[i - 1])) return NAN;
    }
    const int64_t us = time_of(&in->rows[in->frames - 1]) - time_of(&in->rows[0]);
    return us > 0 ? s_from_us(us) / 60 : NAN;
}

/* One step between neighbours: how far, and how much of the stack's time (or of its frames) it took. */
struct pace {
    double *x, *y, *share;
    int32_t count, weak;
    double told; /* sum of the shares */
};

static double share_of(const struct work *w, double minutes, int32_t i)
{
    if (isnan(minutes)) return 1.0 / (w->in->frames - 1);
    return s_from_us(time_of(&w->in->rows[i]) - time_of(&w->in->rows[i - 1])) / 60 / minutes;
}

/* What registration calls the shift holds at the centre, and there it is wrong by the error of its scale
 * times the distance of what it saw. The scale along the stack is known better than that of one pair
 * (tiles.c): so the step is what the piece in focus did, at its middle, beyond the stack's scale there. */
static void focus_middle(const struct tiles *t, int32_t i, double *x_out, double *y_out)
{
    double sum = 0, x = 0, y = 0;
    for (int32_t tile = 0; tile < t->count; tile++) {
        const size_t at = (size_t)tile * (size_t)t->frames + (size_t)i;
        const double e = (double)t->energy[1][at - 1] + (double)t->energy[1][at];
        double left, top;
        if (!t->inside[tile] || isnan(e)) continue;
        tiles_corner(t, tile, &left, &top);
        tiles_follow(t, i - 1, left + t->tile_px / 2.0, top + t->tile_px / 2.0, &left, &top);
        sum += e;
        x += e * (left - t->width_px / 2.0);
        y += e * (top - t->height_px / 2.0);
    }
    *x_out = sum > 0 ? x / sum : 0;
    *y_out = sum > 0 ? y / sum : 0;
}

/* A weak shift is mostly one whose scale is open, which is not taken from it. A large one may be a jump that
 * nobody judged. */
#define WEAK_MOST_PX 1.5
#define WEAK_LEAST   0.05 /* confidence: below it the few tiles that tell lie to one side, and all is open */

static bool shift_tells(const struct frame_shift *s)
{
    if (s->trust == SHIFT_WEAK)
        return (double)s->confidence >= WEAK_LEAST &&
               hypot((double)s->dx_px, (double)s->dy_px) < WEAK_MOST_PX;
    return s->trust == SHIFT_GOOD;
}

static bool step_tells(const struct work *w, int32_t i)
{
    const struct jump *j = &w->jumps[i];
    return shift_tells(&w->in->measures[i]->shift) && j->dx_px == 0 && j->dy_px == 0 &&
           work_shift_matters(w, i);
}

static void gather_steps(const struct work *w, double minutes, struct pace *p)
{
    const struct tiles *t = &w->tiles;
    for (int32_t i = 1; i < w->in->frames; i++) {
        if (!step_tells(w, i)) continue;
        const struct frame_shift *s = &w->in->measures[i]->shift;
        double x, y;
        focus_middle(t, i, &x, &y);
        const double off = (double)s->scale - t->place[i].scale / t->place[i - 1].scale;
        p->x[p->count] = (double)s->dx_px + off * x;
        p->y[p->count] = (double)s->dy_px + off * y;
        p->weak += s->trust != SHIFT_GOOD;
        p->share[p->count] = share_of(w, minutes, i);
        p->told += p->share[p->count++];
    }
}

/* Over the whole stack, from the steps that tell; reorders the steps. */
static double whole_way(double *steps, const struct pace *p, double *error)
{
    double sum = 0;
    for (int32_t k = 0; k < p->count; k++)
        sum += steps[k];
    const double whole = sum / p->told;
    for (int32_t k = 0; k < p->count; k++)
        steps[k] -= whole * p->share[k];
    *error = robust_sigma(steps, p->count) * sqrt(p->count) / p->told;
    return whole;
}

/* What a weak step is off by to one side throughout, where depth and place go together: a photograph on a
 * plane that leans, where 63 of them made up 6.9 px (measured; none of the trusted did). */
#define WEAK_BIAS_PX 0.12

/* A camera that was turned by a bump sees everything aside by as many pixels ever after; a subject that was
 * pushed, by more as the picture grows. Which it was is not known. */
static double bias_of(const struct work *w, const struct pace *p)
{
    const struct frame_place *place = w->tiles.place;
    const double last = place[w->in->frames - 1].scale;
    double bias = WEAK_BIAS_PX * p->weak / p->told;
    for (int32_t k = 1; k < w->v.group_count; k++) {
        const struct frame_group *g = &w->v.groups[k];
        bias += hypot(g->jump_x_px, g->jump_y_px) * fabs(last / place[g->first].scale - 1);
    }
    return bias;
}

static void set_drift(struct drift_verdict *d, struct pace *p, double minutes)
{
    double x_error, y_error;
    if (p->count < DRIFT_STEPS || p->told < DRIFT_SHARE) return;
    d->known = true;
    d->x_px = whole_way(p->x, p, &x_error);
    d->y_px = whole_way(p->y, p, &y_error);
    d->error_px = hypot(x_error, y_error);
    d->x_px_per_min = d->x_px / minutes;
    d->y_px_per_min = d->y_px / minutes;
}

/* Twice what registration keeps to on real photographs (tests/long/test_register_stack.c). */
#define CLOSING_ERROR_PX 0.1
#define CLOSING_SCALE    0.001 /* off 1: more, and it is not the same place, or no right shift */

/* The first slice shows little that is sharp, so that its shift is mostly a weak one; but its scale is known.
 */
static bool closing_tells(const struct frame_shift *s)
{
    const bool trusted =
        s->trust == SHIFT_GOOD || (s->trust == SHIFT_WEAK && (double)s->confidence >= WEAK_LEAST);
    return trusted && fabs((double)s->scale - 1) < CLOSING_SCALE;
}

/* Where enough steps tell, they say how the frames lie; else an even drift to where the closing frame lies.
 */
static void set_closing(const struct work *w, struct drift_verdict *d)
{
    const struct closing_frame *c = w->in->closing;
    if (!c || w->v.group_count > 1 || !closing_tells(&c->shift)) return;
    d->closing_known = true;
    d->closing_x_px = (double)c->shift.dx_px;
    d->closing_y_px = (double)c->shift.dy_px;
    if (d->known) return;
    const double minutes = c->after_us == STACK_NONE ? NAN : s_from_us(c->after_us) / 60;
    const double share = d->minutes < minutes ? d->minutes / minutes : 1;
    d->known = true;
    d->x_px = share * d->closing_x_px;
    d->y_px = share * d->closing_y_px;
    d->error_px = CLOSING_ERROR_PX;
    d->bias_px = 0;
    d->x_px_per_min = d->x_px / d->minutes;
    d->y_px_per_min = d->y_px / d->minutes;
}

static int find_drift(struct work *w, struct err *why)
{
    const size_t n = (size_t)w->in->frames;
    const double minutes = span_minutes(w->in);
    struct drift_verdict *d = &w->v.drift;
    *d = (struct drift_verdict){.closing_x_px = NAN,
                                .closing_y_px = NAN,
                                .x_px = NAN,
                                .y_px = NAN,
                                .error_px = NAN,
                                .bias_px = NAN,
                                .minutes = minutes,
                                .x_px_per_min = NAN,
                                .y_px_per_min = NAN};
    double *room = mem_new(3 * n, sizeof *room, why);
    if (!room) return E_NOMEM;
    struct pace p = {.x = room, .y = room + n, .share = room + 2 * n};
    gather_steps(w, minutes, &p);
    set_drift(d, &p, minutes);
    if (d->known) d->bias_px = bias_of(w, &p);
    set_closing(w, d);
    mem_free(room);
    return E_OK;
}

int motion_judge(struct work *w, struct err *why)
{
    const int rc = find_groups(w, why);
    return rc ? rc : find_drift(w, why);
}
