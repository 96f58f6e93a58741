#include "check/check.h"

#include <math.h>

#include "base/mem.h"
#include "check/shake.h"
#include "check/shown.h"
#include "check/work.h"
#include "image/turned.h"

/* ---- input ---- */

static int same_grid(const struct check_input *in, struct err *why)
{
    const struct frame_measure *a = in->measures[0];
    for (int32_t i = 1; i < in->frames; i++) {
        const struct frame_measure *b = in->measures[i];
        if (a->width_px != b->width_px || a->height_px != b->height_px || a->cell_px != b->cell_px ||
            a->rows != b->rows || a->cols != b->cols)
            return fail(why, E_INPUT,
                        "frame %d is %d x %d pixels, the first one %d x %d; one stack has frames of one size",
                        (int)i + 1, (int)b->width_px, (int)b->height_px, (int)a->width_px, (int)a->height_px);
    }
    return E_OK;
}

static int right_region(const struct check_input *in, struct err *why)
{
    const struct region_px *r = &in->region;
    const struct frame_measure *m = in->measures[0];
    const bool side = turned_on_side(shown_orientation(in));
    const int32_t w = side ? m->height_px : m->width_px, h = side ? m->width_px : m->height_px;
    if (r->w == 0) return E_OK;
    if (r->x < 0 || r->y < 0 || r->w < 1 || r->h < 1 || r->x > w - r->w || r->y > h - r->h)
        return fail(why, E_INPUT,
                    "region %d,%d,%d,%d leaves the picture of %d x %d pixels; give X,Y,W,H inside it",
                    (int)r->x, (int)r->y, (int)r->w, (int)r->h, (int)w, (int)h);
    return E_OK;
}

int check_right_input(const struct check_input *in, struct err *why)
{
    if (in->frames < 1) return fail(why, E_INPUT, "the stack has no frames; import or shoot some first");
    if (in->measures[0]->rows < 1 || in->measures[0]->cols < 1 || in->measures[0]->cell_px < 1)
        return fail(why, E_INPUT, "the first frame has no cells; measure it again");
    int rc = same_grid(in, why);
    return rc ? rc : right_region(in, why);
}

/* ---- work ---- */

static int work_room(struct work *w, struct err *why)
{
    const size_t n = (size_t)w->tiles.count, f = (size_t)w->tiles.frames;
    const bool ok =
        (w->curves = mem_new(n, sizeof *w->curves, why)) && (w->steps = mem_new(f, sizeof *w->steps, why)) &&
        (w->z = mem_new(f, sizeof *w->z, why)) && (w->loss = mem_new(f, sizeof *w->loss, why)) &&
        (w->blurred = mem_new(f, sizeof *w->blurred, why)) &&
        (w->shifted = mem_new(f, sizeof *w->shifted, why)) &&
        (w->odd_light = mem_new(f, sizeof *w->odd_light, why)) &&
        (w->needed = mem_new(f, sizeof *w->needed, why)) && (w->jumps = mem_new(f, sizeof *w->jumps, why)) &&
        (w->v.tiles = mem_new(n, sizeof *w->v.tiles, why));
    return ok ? E_OK : E_NOMEM;
}

static void work_clear(struct work *w)
{
    tiles_clear(&w->tiles);
    mem_free(w->curves);
    mem_free(w->steps);
    mem_free(w->z);
    mem_free(w->loss);
    mem_free(w->blurred);
    mem_free(w->shifted);
    mem_free(w->odd_light);
    mem_free(w->needed);
    mem_free(w->jumps);
}

static void set_facts(struct work *w)
{
    struct verdict *v = &w->v;
    v->frames = w->in->frames;
    v->order = w->in->order;
    v->margin = CHECK_MARGIN;
    v->orientation = 1;
    v->width_px = w->tiles.width_px;
    v->height_px = w->tiles.height_px;
    v->tile_px = w->tiles.tile_px;
    v->cell_px = w->tiles.cell_px;
    v->rows = w->tiles.rows;
    v->cols = w->tiles.cols;
    v->region = w->in->region;
    v->useful_first = v->useful_last = -1;
}

/* Within reach of a frame the subject is sharp in it: half a spacing at least (that is what the spacing was
 * chosen for), more where the frames stand closer than the depth of field. */
static void set_reach(struct work *w)
{
    w->shape_reach = w->shape.tiles ? shape_reach(&w->shape) : w->in->dof_slices / 2;
    w->reach = fmax(w->shape_reach, 0.5);
}

/* In the wrong place a frame looks worse than its neighbours; that is told once. */
static bool in_swap(const struct work *w, int32_t frame)
{
    return frame_list_has(&w->v.swapped, frame) || frame_list_has(&w->v.swapped, frame - 1);
}

/* Beside a hole the curves are laid through too few frames to say how sharp each should be. */
static bool beside_hole(const struct work *w, int32_t frame)
{
    for (int32_t g = 0; g < w->v.gap_count; g++)
        if (frame >= w->v.gaps[g].after - 2 && frame <= w->v.gaps[g].after + 3) return true;
    return false;
}

/* Over a hole the two pictures are too unlike to measure half a pixel. */
static bool after_hole(const struct work *w, int32_t frame)
{
    for (int32_t g = 0; g < w->v.gap_count; g++)
        if (w->v.gaps[g].after + 1 == frame) return true;
    return false;
}

/* Tiles that are sharp within two frames of this one. */
static int32_t tiles_near(const struct work *w, int32_t frame)
{
    int32_t n = 0;
    for (int32_t tile = 0; tile < w->tiles.count; tile++) {
        const struct tile_curve *c = &w->curves[tile];
        bool near = false;
        for (int32_t k = 0; k < c->peak_count; k++)
            near = near || fabs(c->peak[k].at - frame) <= 2;
        n += near;
    }
    return n;
}

/* Between two frames that show hardly anything sharp half a pixel cannot be measured, and harms nobody: on
 * clean stacks of open depth data all wrong shifts came from frames with less than a twentieth of the tiles
 * near focus. */
#define SHIFT_TILES_SHARE 0.05

bool work_shift_matters(const struct work *w, int32_t frame)
{
    const double least = SHIFT_TILES_SHARE * w->v.textured_fraction * w->tiles.count;
    return frame > 0 && tiles_near(w, frame) >= least && tiles_near(w, frame - 1) >= least;
}

/* A subject far out of focus shows where it is to a few pixels, in its coarse outlines: what is many times as
 * much is no error of measuring. (On a hundred clean stacks no frame came to a third of it.) */
#define BUMP_PX 15.0
#define BUMP_SHARE                                                                                           \
    0.01 /* of the width, where that is more: large pictures are set against each other reduced */

static bool is_bump(const struct work *w, const struct jump *j)
{
    return hypot(j->dx_px, j->dy_px) > fmax(BUMP_PX, BUMP_SHARE * w->tiles.width_px);
}

/* What the frames around explain, or what cannot be told there, is no jump. */
static void drop_jumps(struct work *w)
{
    for (int32_t i = 0; i < w->in->frames; i++) {
        const bool told = work_shift_matters(w, i) || is_bump(w, &w->jumps[i]);
        if (!w->jumps[i].away || (told && !after_hole(w, i))) continue;
        w->jumps[i].away = w->jumps[i].stays = false;
    }
}

static int judge_frames(struct work *w, struct err *why)
{
    int rc = frames_losses(&w->tiles, w->curves, &w->shape, w->z, w->loss, why);
    if (rc || (rc = frames_blurred(w->loss, w->in->frames, w->blurred, &w->blur_judged, why))) return rc;
    if ((rc = shake_find(&w->tiles, w->curves, w->z, w->blurred, why))) return rc;
    if ((rc = frames_shifted(w->in, w->jumps, &w->shift_judged, why))) return rc;
    if ((rc = frames_light(w->in, &w->tiles, &w->v.light, w->odd_light, why))) return rc;
    drop_jumps(w);
    for (int32_t i = 0; i < w->in->frames && !rc; i++) {
        if (in_swap(w, i) || beside_hole(w, i)) w->blurred[i] = false;
        w->shifted[i] = w->jumps[i].away;
        if (w->blurred[i]) rc = frame_list_add(&w->v.blurred, i, why);
        if (!rc && w->shifted[i]) rc = frame_list_add(&w->v.shifted, i, why);
    }
    return rc;
}

static int judge(struct work *w, struct err *why)
{
    int rc = tiles_new(w->in, &w->tiles, why);
    if (rc || (rc = work_room(w, why))) return rc;
    set_facts(w);
    if ((rc = curves_find(&w->tiles, w->curves, why))) return rc;
    if ((rc = shape_fit(&w->tiles, w->curves, &w->shape, why))) return rc;
    for (int side = 0; side < 2; side++)
        if ((rc = shape_fit_end(&w->tiles, w->curves, side == 1, &w->end_shape[side], why))) return rc;
    set_reach(w);
    if ((rc = sequence_judge(w, why)) || (rc = places_judge(w, why)) || (rc = ridge_find(w, why)) ||
        (rc = needs_find(w, why)))
        return rc;
    depth_find(w);
    if ((rc = judge_frames(w, why)) || (rc = motion_judge(w, why)) || (rc = quiet_judge(w, why)) ||
        (rc = spots_find(w, why)))
        return rc;
    border_find(w);
    if ((rc = weak_find(w, why))) return rc;
    w->v.place = w->tiles.place;
    w->tiles.place = NULL;
    rc = shown_verdict(&w->v, shown_orientation(w->in), why);
    return rc ? rc : say_all(w, why);
}

int check_stack(const struct check_input *in, struct verdict *out, struct err *why)
{
    int rc = check_right_input(in, why);
    if (rc) return rc;
    struct check_input stored = *in;
    struct work w = {.in = &stored};
    stored.region = shown_region_to_stored(in);
    rc = judge(&w, why);
    if (rc)
        verdict_clear(&w.v);
    else
        *out = w.v;
    work_clear(&w);
    return rc;
}
