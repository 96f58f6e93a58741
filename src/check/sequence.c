#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "check/growth.h"
#include "check/robust.h"
#include "check/work.h"

/* The change of all curves is told to a tenth or so, and is smooth along a clean stack (0.8 to 1.3 of what is
 * around, measured on open depth data); a missing frame makes it 1.5 and more, a repeated one leaves only
 * noise. The sizes tell the same in spacings, less surely, and how many are missing. */
#define REPEAT_CHANGE 0.4 /* where both sides tell */
/* Else: of planted ones nearly all lie below, of 2000 steps of clean stacks none below 0.28. */
#define REPEAT_SURE 0.25
#define REPEAT_MOST 0.6
#define GAP_CHANGE  1.4
#define GAP_LEAST   1.3 /* spacings, by each side that tells */
#define GAP_ALONE                                                                                            \
    1.7 /* where only one side tells, or no change: wrong up to 1.56 on clean stacks of the demo scene */
#define STEP_TELLS                                                                                           \
    25 /* values, as many as a frame's blur is judged by; planted gaps had over 100, false ones under 20 */
#define SWAP_SHARE                                                                                           \
    0.7              /* of the tiles run smoother exchanged; a clean pair has under 0.3, a repeated one 0.5 */
#define PLAN_GAP 1.5 /* usual spacings, where positions are known */

int frame_list_add(struct frame_list *list, int32_t frame, struct err *why)
{
    if (list->count == list->room) {
        const int32_t room = list->room ? 2 * list->room : 8;
        int32_t *rows = mem_grow(list->rows, (size_t)list->room, (size_t)room, sizeof *rows, why);
        if (!rows) return E_NOMEM;
        list->rows = rows;
        list->room = room;
    }
    list->rows[list->count++] = frame;
    return E_OK;
}

bool frame_list_has(const struct frame_list *list, int32_t frame)
{
    for (int32_t i = 0; i < list->count; i++)
        if (list->rows[i] == frame) return true;
    return false;
}

/* ---- taken twice ---- */

static bool same_bytes(const struct check_input *in, int32_t a, int32_t b)
{
    if (!in->rows || in->rows[a].file_count < 1 || in->rows[b].file_count < 1) return false;
    const char *x = in->rows[a].files[0].sha256, *y = in->rows[b].files[0].sha256;
    return x[0] && strcmp(x, y) == 0;
}

/* A frame twice where next to nothing is in focus harms nobody, and next to nothing tells of it. */
#define NEAR_SHARE 0.05

static bool focus_is_near(const struct work *w, int32_t frame)
{
    int32_t near = 0, peaked = 0;
    for (int32_t tile = 0; tile < w->tiles.count; tile++) {
        const struct tile_curve *c = &w->curves[tile];
        bool here = false;
        for (int32_t k = 0; k < c->peak_count; k++)
            here = here || fabs(c->peak[k].at - frame) <= 2;
        peaked += c->peak_count > 0;
        near += here;
    }
    return near >= NEAR_SHARE * peaked;
}

/* Focus that has not moved: what the curves change by is noise, and the sizes do not deny it. */
static bool stood_still(const struct step *s)
{
    const bool told = s->tells >= STEP_TELLS, both = told && !isnan(s->one_side) && !isnan(s->other_side);
    return s->change < (both ? REPEAT_CHANGE : REPEAT_SURE) && !(told && fabs(s->size) > REPEAT_MOST);
}

/* Same bytes anywhere before, or focus that has not moved. */
static int find_repeated(struct work *w, struct err *why)
{
    const int32_t n = w->tiles.frames;
    for (int32_t i = 1; i < n; i++) {
        bool again = false;
        for (int32_t j = 0; j < i && !again; j++)
            again = same_bytes(w->in, j, i);
        if (!again && !(stood_still(&w->steps[i - 1]) && focus_is_near(w, i))) continue;
        int rc = frame_list_add(&w->v.repeated, i, why);
        if (rc) return rc;
    }
    return E_OK;
}

/* ---- exchanged ---- */

static int find_swapped(struct work *w, struct err *why)
{
    const int32_t n = w->tiles.frames;
    double before = 0, now = n > 1 ? spacing_swap_share(&w->tiles, w->curves, 0) : 0;
    for (int32_t i = 0; i + 1 < n; i++) {
        const double after = i + 2 < n ? spacing_swap_share(&w->tiles, w->curves, i + 1) : 0;
        const bool best = now >= SWAP_SHARE && now >= before && now > after;
        if (best && !frame_list_has(&w->v.repeated, i + 1)) {
            int rc = frame_list_add(&w->v.swapped, i, why);
            if (rc) return rc;
        }
        before = now;
        now = after;
    }
    return E_OK;
}

static bool near_swap(const struct work *w, int32_t i)
{
    for (int32_t k = 0; k < w->v.swapped.count; k++)
        if (i >= w->v.swapped.rows[k] - 1 && i <= w->v.swapped.rows[k] + 1) return true;
    return false;
}

/* ---- missing ---- */

static bool has_targets(const struct check_input *in)
{
    if (!in->rows) return false;
    for (int32_t i = 0; i < in->frames; i++)
        if (in->rows[i].target_nm == STACK_NONE) return false;
    return true;
}

static double usual_spacing_nm(const struct check_input *in, double *room)
{
    for (int32_t i = 0; i + 1 < in->frames; i++)
        room[i] = fabs((double)(in->rows[i + 1].target_nm - in->rows[i].target_nm));
    return robust_median(room, in->frames - 1);
}

/* What the pictures say. A frame that is only blurred makes one side large and the other small. */
static int32_t missing_by_curves(const struct work *w, int32_t i)
{
    const struct step *s = &w->steps[i];
    if (isnan(s->size) || near_swap(w, i) || !w->shape.tiles) return 0; /* a guessed shape measures nothing */
    if (s->tells < STEP_TELLS) return 0;
    if (s->one_side < GAP_LEAST || s->other_side < GAP_LEAST) return 0; /* false for one that does not tell */
    const bool both = !isnan(s->one_side) && !isnan(s->other_side) && !isnan(s->change);
    if (s->size < (both ? GAP_LEAST : GAP_ALONE) || s->change < GAP_CHANGE) return 0;
    const double larger =
        fmax(s->one_side, s->other_side); /* noise and tails that end too early make it small */
    const double missing = round(larger - 1);
    return missing < 1 ? 1 : (int32_t)missing;
}

static int add_gap(struct work *w, int32_t after, int32_t missing, struct err *why)
{
    struct verdict *v = &w->v;
    struct gap *gaps = mem_grow(v->gaps, (size_t)v->gap_count, (size_t)v->gap_count + 1, sizeof *gaps, why);
    if (!gaps) return E_NOMEM;
    v->gaps = gaps;
    gaps[v->gap_count++] = (struct gap){.after = after, .missing = missing};
    return E_OK;
}

static int find_gaps(struct work *w, double *room, struct err *why)
{
    const bool targets = has_targets(w->in);
    const double usual = targets && w->in->frames > 2 ? usual_spacing_nm(w->in, room) : 0;
    for (int32_t i = 0; i + 1 < w->tiles.frames; i++) {
        int32_t missing = tiles_light_unlike(&w->tiles, i) ? 0 : missing_by_curves(w, i);
        if (missing < 1 && !near_swap(w, i)) missing = growth_missing(w->in, i, room);
        if (usual > 0) {
            const double far =
                fabs((double)(w->in->rows[i + 1].target_nm - w->in->rows[i].target_nm)) / usual;
            if (far >= PLAN_GAP) missing = (int32_t)fmax(1, round(far - 1));
        }
        if (missing < 1) continue;
        int rc = add_gap(w, i, missing, why);
        if (rc) return rc;
    }
    return E_OK;
}

static void set_places(struct work *w)
{
    const struct verdict *v = &w->v;
    int32_t g = 0;
    w->z[0] = 0;
    for (int32_t i = 0; i + 1 < w->tiles.frames; i++) {
        double step = frame_list_has(&v->repeated, i + 1) ? 0.01 : 1;
        if (g < v->gap_count && v->gaps[g].after == i) step = 1 + v->gaps[g++].missing;
        w->z[i + 1] = w->z[i] + step;
    }
}

int sequence_judge(struct work *w, struct err *why)
{
    int rc = spacing_find(&w->tiles, w->curves, &w->shape, w->steps, why);
    if (rc || (rc = find_repeated(w, why)) || (rc = find_swapped(w, why))) return rc;
    if ((rc = find_gaps(w, w->z, why))) return rc; /* z is free until its places are set */
    set_places(w);
    return E_OK;
}
