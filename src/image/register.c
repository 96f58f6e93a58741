#include "image/register.h"

#include <math.h>

#include "base/mem.h"
#include "image/register_part.h"

#define PERIOD_PX       REGISTER_PERIOD_PX
#define TAPS            REGISTER_TAPS
#define ITERATIONS      8
#define AGREEMENT_NONE  0.25
#define AGREEMENT_WEAK  0.5
#define CONFIDENCE_WEAK 0.4
#define AGREEMENT_START 0.6
#define DOUBTED_PX                                                                                           \
    0.1 /* sigma in the middle or, for the scale, in a corner, px of the largest level: halves the           \
           confidence */

struct register_space *register_space_new(struct err *why)
{
    struct register_space *s = mem_new(1, sizeof *s, why);
    if (s && !(s->spectrum = spectrum_new(why))) {
        mem_free(s);
        return NULL;
    }
    return s;
}

static void free_buffers(struct register_space *s)
{
    mem_free(s->a);
    mem_free(s->b);
    mem_free(s->c);
    mem_free(s->d);
    mem_free(s->weights);
    mem_free(s->columns);
    mem_free(s->row);
    s->a = s->b = s->c = s->d = s->weights = s->row = NULL;
    s->columns = NULL;
    s->room = s->row_room = 0;
}

void register_space_free(struct register_space *s)
{
    if (!s) return;
    free_buffers(s);
    spectrum_free(s->spectrum);
    mem_free(s);
}

int register_make_room(struct register_space *s, int32_t width, int32_t height, struct err *why)
{
    const size_t n = (size_t)width * (size_t)height, w = (size_t)width;
    const size_t least = PERIOD_PX * PERIOD_PX;
    if (s->room >= n && s->row_room >= w && s->room) return E_OK;
    free_buffers(s);
    const size_t room = n > least ? n : least;
    if (!(s->a = mem_new(room, sizeof *s->a, why)) || !(s->b = mem_new(room, sizeof *s->b, why)) ||
        !(s->c = mem_new(room, sizeof *s->c, why)) || !(s->d = mem_new(room, sizeof *s->d, why)) ||
        !(s->weights = mem_new(w * TAPS, sizeof *s->weights, why)) ||
        !(s->columns = mem_new(w, sizeof *s->columns, why)) ||
        !(s->row = mem_new(w + 2 * TAPS, sizeof *s->row, why))) {
        free_buffers(s);
        return E_NOMEM;
    }
    s->room = room;
    s->row_room = w;
    return E_OK;
}

/* Share of the texture that agrees with the fit, times how alike the pictures are there. */
static double agreement_of(const struct tile_sum *tiles, int count)
{
    double all = 0, agreed = 0;
    for (int i = 0; i < count; i++) {
        const double energy = sqrt((tiles[i].xx + tiles[i].yy) * tiles[i].certainty);
        all += energy;
        const double c = tiles[i].correlation;
        if (c > 0) agreed += energy * c * sqrt(tiles[i].weight);
    }
    return all > 0 ? agreed / all : 0;
}

/* Less where the tiles that tell are few, or lie along one line, or have texture in one direction: then they
 * may agree and yet leave the shift or the scale open. */
static double certainty_of(const struct warp *error, const struct view_level *l)
{
    const double corner = hypot(l->width, l->height) / 2;
    const double scale = error->scale * corner / DOUBTED_PX, x = error->dx / DOUBTED_PX,
                 y = error->dy / DOUBTED_PX;
    return 1 / (1 + scale * scale + x * x + y * y);
}

static enum shift_trust trust_of(double agreement, double confidence, bool decisive, bool periodic)
{
    if (!decisive && periodic) return SHIFT_AMBIGUOUS;
    if (agreement < AGREEMENT_NONE) return SHIFT_NONE;
    if (agreement < AGREEMENT_WEAK || confidence < CONFIDENCE_WEAK || !decisive) return SHIFT_WEAK;
    return SHIFT_GOOD;
}

/* Corrects the warp (in pixels of the level) until it stays; false when the level does not tell. */
static bool refine(struct register_space *s, const struct register_view *before,
                   const struct register_view *now, int level, struct warp *warp, int *tiles,
                   struct warp *error)
{
    const double pixel = (double)before->factor * (1 << level);
    const double cx = before->full_width / (2 * pixel) - 0.5, cy = before->full_height / (2 * pixel) - 0.5;
    const double enough = level ? 0.05 : 0.01;
    for (int k = 0; k < ITERATIONS; k++) {
        struct warp step;
        if (!register_improve(s, &before->level[level], &now->level[level], cx, cy, warp, tiles, &step,
                              error))
            return false;
        if (fabs(step.dx) < enough && fabs(step.dy) < enough && fabs(step.scale) * cx < enough) break;
    }
    return true;
}

/* The smallest level, first without a change of scale, which is nearly always close enough; else a search for
 * it. */
static bool begin(struct register_space *s, const struct register_view *before,
                  const struct register_view *now, const struct whole_shift *common, struct warp *warp,
                  int *tiles, struct warp *error)
{
    const int last = before->levels - 1;
    *warp = (struct warp){common->x, common->y, 1};
    if (refine(s, before, now, last, warp, tiles, error) && agreement_of(s->tiles, *tiles) > AGREEMENT_START)
        return true;
    register_coarse_scale(&before->level[last], &now->level[last], common, warp);
    return refine(s, before, now, last, warp, tiles, error);
}

/* From the smallest level to the largest. */
static bool find_warp(struct register_space *s, const struct register_view *before,
                      const struct register_view *now, const struct whole_shift *common, struct warp *warp,
                      int *tiles, struct warp *error)
{
    if (!begin(s, before, now, common, warp, tiles, error)) return false;
    for (int i = before->levels - 2; i >= 0; i--) {
        warp->dx *= 2;
        warp->dy *= 2;
        if (!refine(s, before, now, i, warp, tiles, error)) return false;
    }
    return true;
}

int register_shift(struct register_space *s, const struct register_view *before,
                   const struct register_view *now, struct frame_shift *out, struct err *why)
{
    if (before->full_width != now->full_width || before->full_height != now->full_height)
        return fail(
            why, E_INPUT, "a picture of %d x %d pixels cannot be registered to one of %d x %d; keep one size",
            (int)now->full_width, (int)now->full_height, (int)before->full_width, (int)before->full_height);
    int rc = register_make_room(s, before->level[0].width, before->level[0].height, why);
    if (rc) return rc;
    const int last = before->levels - 1;
    struct whole_shift common;
    bool decisive, periodic;
    struct warp warp, error = {0};
    int tiles = 0;
    if ((rc = register_coarse_shift(s, &before->level[last], &now->level[last], &common, &decisive, why)))
        return rc;
    struct frame_shift shift = {.trust = SHIFT_NONE, .scale = 1};
    const bool told = find_warp(s, before, now, &common, &warp, &tiles, &error);
    if ((rc = register_is_periodic(s, &before->level[0], &periodic, why))) return rc;
    const double agreement = told ? agreement_of(s->tiles, tiles) : 0;
    if (told) shift.confidence = (float)(agreement * certainty_of(&error, &before->level[0]));
    shift.trust = trust_of(agreement, (double)shift.confidence, decisive, periodic);
    if (told && shift.trust != SHIFT_NONE) {
        shift.dx_px = (float)(warp.dx * before->factor);
        shift.dy_px = (float)(warp.dy * before->factor);
        shift.scale = (float)warp.scale;
    }
    *out = shift;
    return E_OK;
}

const char *shift_trust_name(enum shift_trust trust)
{
    static const char *const names[] = {"none", "weak", "ambiguous", "good"};
    return names[trust];
}

int register_phase_correlation(struct register_space *s, int32_t width, int32_t height, const float *before,
                               const float *now, float *out, struct err *why)
{
    return spectrum_phase_correlation(s->spectrum, width, height, before, now, 0, out, why);
}
