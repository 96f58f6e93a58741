#include "report/verdict_json.h"

#include <math.h>

#include "base/findings.h"
#include "base/json.h"

static json_t *frames_json(const int32_t *rows, int32_t count)
{
    json_t *list = json_array();
    for (int32_t i = 0; i < count; i++)
        json_array_append_new(list, json_integer(rows[i]));
    return list;
}

static const char *order_word(enum stack_order order)
{
    switch (order) {
    case ORDER_NEAR_FIRST:
        return "near-first";
    case ORDER_FAR_FIRST:
        return "far-first";
    default:
        return "unknown";
    }
}

static const char *state_word(enum tile_state state)
{
    switch (state) {
    case TILE_OUTSIDE:
        return "outside";
    case TILE_NO_TEXTURE:
        return "no-texture";
    case TILE_COVERED:
        return "covered";
    case TILE_UNSHARP_BEFORE:
        return "unsharp-before";
    case TILE_UNSHARP_AFTER:
        return "unsharp-after";
    case TILE_GAP:
        return "gap";
    }
    return "outside";
}

static json_t *peak_json(const struct tile_verdict *tile)
{
    return tile->peak_count > 0 ? json_rounded((double)tile->peak[0], 2) : json_null();
}

static json_t *peak_um_json(const struct tile_verdict *tile)
{
    return tile->peak_count > 0 ? json_rounded((double)tile->peak_um[0], 1) : json_null();
}

static json_t *peaks_json(const struct tile_verdict *tile)
{
    if (tile->peak_count < 2) return json_null();
    json_t *list = json_array();
    for (int32_t i = 0; i < tile->peak_count; i++)
        json_array_append_new(list, json_rounded((double)tile->peak[i], 2));
    return list;
}

static json_t *state_json(const struct tile_verdict *tile)
{
    return json_string(state_word(tile->state));
}

static json_t *grid_json(const struct verdict *v, json_t *(*one)(const struct tile_verdict *))
{
    json_t *rows = json_array();
    for (int32_t r = 0; r < v->rows; r++) {
        json_t *row = json_array();
        for (int32_t c = 0; c < v->cols; c++)
            json_array_append_new(row, one(&v->tiles[r * v->cols + c]));
        json_array_append_new(rows, row);
    }
    return rows;
}

static json_t *tiles_json(const struct verdict *v)
{
    json_t *tiles = json_object();
    json_object_set_new(tiles, "rows", json_integer(v->rows));
    json_object_set_new(tiles, "cols", json_integer(v->cols));
    json_object_set_new(tiles, "cell_px", json_integer(v->cell_px));
    json_object_set_new(tiles, "x_px", json_integer(v->grid_x_px));
    json_object_set_new(tiles, "y_px", json_integer(v->grid_y_px));
    json_object_set_new(tiles, "peak", grid_json(v, peak_json));
    json_object_set_new(tiles, "peaks", grid_json(v, peaks_json));
    json_object_set_new(tiles, "peak_um", v->depth.known ? grid_json(v, peak_um_json) : json_null());
    json_object_set_new(tiles, "state", grid_json(v, state_json));
    return tiles;
}

static json_t *gaps_json(const struct verdict *v)
{
    json_t *list = json_array();
    for (int32_t i = 0; i < v->gap_count; i++)
        json_array_append_new(list, json_pack("{s:i, s:i, s:i}", "after", v->gaps[i].after, "missing",
                                              v->gaps[i].missing, "tiles", v->gaps[i].tiles));
    return list;
}

static json_t *depth_json(const struct depth_verdict *d)
{
    if (!d->known) return json_null();
    json_t *out = json_object();
    json_object_set_new(out, "nearest_um", json_rounded(d->nearest_um, 1));
    json_object_set_new(out, "deepest_um", json_rounded(d->deepest_um, 1));
    json_object_set_new(out, "between_um", json_rounded(d->deepest_um - d->nearest_um, 1));
    return out;
}

static json_t *drift_json(const struct drift_verdict *d)
{
    if (!d->known) return json_null();
    json_t *out = json_object();
    json_object_set_new(out, "x_px", json_rounded(d->x_px, 2));
    json_object_set_new(out, "y_px", json_rounded(d->y_px, 2));
    json_object_set_new(out, "error_px", json_rounded(d->error_px, 2));
    json_object_set_new(out, "bias_px", json_rounded(d->bias_px, 2));
    json_object_set_new(out, "minutes", json_rounded(d->minutes, 3));
    json_object_set_new(out, "x_px_per_min", json_rounded(d->x_px_per_min, 2));
    json_object_set_new(out, "y_px_per_min", json_rounded(d->y_px_per_min, 2));
    json_object_set_new(out, "closing_x_px", json_rounded(d->closing_x_px, 2));
    json_object_set_new(out, "closing_y_px", json_rounded(d->closing_y_px, 2));
    return out;
}

static json_t *groups_json(const struct verdict *v)
{
    json_t *list = json_array();
    for (int32_t i = 0; i < v->group_count; i++) {
        const struct frame_group *g = &v->groups[i];
        json_t *one = json_pack("{s:i, s:i}", "first", g->first, "last", g->last);
        json_object_set_new(one, "jump_x_px", json_rounded(g->jump_x_px, 2));
        json_object_set_new(one, "jump_y_px", json_rounded(g->jump_y_px, 2));
        json_array_append_new(list, one);
    }
    return list;
}

static json_t *quiet_json(const struct quiet_verdict *q)
{
    static const char *const words[] = {"none", "no-use", "alike", "shaken", "softer", "sharper"};
    if (q->state == QUIET_NONE) return json_null();
    const bool compared = q->state != QUIET_NO_USE;
    json_t *out = json_pack("{s:o, s:s}", "file", json_text(q->name), "state", words[q->state]);
    json_object_set_new(out, "reason", compared ? json_null() : json_text(q->reason));
    json_object_set_new(out, "at", json_rounded(q->at, 2));
    json_object_set_new(out, "frame", q->frame < 0 ? json_null() : json_integer(q->frame));
    json_object_set_new(out, "tiles", json_integer(q->tiles));
    json_object_set_new(out, "smear_px", json_rounded(compared ? q->smear_px : NAN, 2));
    json_object_set_new(out, "error_px", json_rounded(compared ? q->error_px : NAN, 2));
    json_object_set_new(out, "axis_deg", json_rounded(q->axis_deg, 0));
    json_object_set_new(out, "contrast", json_rounded(q->contrast, 3));
    return out;
}

static json_t *spots_json(const struct verdict *v)
{
    json_t *list = json_array();
    for (int32_t i = 0; i < v->spot_count; i++) {
        const struct sensor_spot *s = &v->spots[i];
        json_t *one = json_pack("{s:s, s:i}", "kind", s->hot ? "hot-pixel" : "dust", "frames", s->frames);
        json_object_set_new(one, "x_px", json_rounded(s->x_px, s->hot ? 0 : 1));
        json_object_set_new(one, "y_px", json_rounded(s->y_px, s->hot ? 0 : 1));
        json_object_set_new(one, "size_px", json_rounded(s->size_px, 1));
        json_object_set_new(one, "strength", json_rounded(s->strength, 3));
        json_array_append_new(list, one);
    }
    return list;
}

static json_t *border_json(const struct border_verdict *b)
{
    if (!b->known) return json_null();
    json_t *out = json_object();
    json_object_set_new(out, "left_px", json_rounded(b->left_px, 1));
    json_object_set_new(out, "right_px", json_rounded(b->right_px, 1));
    json_object_set_new(out, "top_px", json_rounded(b->top_px, 1));
    json_object_set_new(out, "bottom_px", json_rounded(b->bottom_px, 1));
    json_object_set_new(out, "planned_fraction", json_rounded(b->planned_fraction, 4));
    return out;
}

static json_t *light_json(const struct light_verdict *light)
{
    json_t *out = json_object();
    json_object_set_new(out, "scatter_stops", json_rounded(light->scatter_stops, 3));
    json_object_set_new(out, "slope_stops", json_rounded(light->slope_stops, 3));
    json_object_set_new(out, "jumps", frames_json(light->jumps, light->jump_count));
    return out;
}

static json_t *weakest_json(const struct verdict *v)
{
    json_t *list = json_array();
    for (int32_t i = 0; i < v->weakest_count; i++) {
        const struct weak_place *w = &v->weakest[i];
        json_t *one = json_pack("{s:i, s:i, s:i, s:i, s:i}", "x_px", w->x_px, "y_px", w->y_px, "w_px",
                                w->w_px, "h_px", w->h_px, "frame", w->frame);
        json_object_set_new(one, "at_x_px", json_integer(w->at_x_px));
        json_object_set_new(one, "at_y_px", json_integer(w->at_y_px));
        json_object_set_new(one, "sharpness", json_rounded((double)w->sharpness, 3));
        json_object_set_new(one, "reason", json_text(w->reason));
        json_array_append_new(list, one);
    }
    return list;
}

static json_t *region_json(const struct region_px *r)
{
    return json_pack("{s:i, s:i, s:i, s:i}", "x_px", r->x, "y_px", r->y, "w_px", r->w, "h_px", r->h);
}

static json_t *index_json(int32_t frame)
{
    return frame < 0 ? json_null() : json_integer(frame);
}

int verdict_to_json(const struct verdict *v, json_t *o, struct err *why)
{
    int bad = 0;
    bad |= json_object_set_new(o, "frames", json_integer(v->frames));
    bad |= json_object_set_new(o, "order", json_string(order_word(v->order)));
    bad |= json_object_set_new(o, "useful_first", index_json(v->useful_first));
    bad |= json_object_set_new(o, "useful_last", index_json(v->useful_last));
    bad |= json_object_set_new(o, "margin", json_integer(v->margin));
    bad |= json_object_set_new(o, "unneeded", frames_json(v->unneeded.rows, v->unneeded.count));
    bad |= json_object_set_new(o, "orientation", json_integer(v->orientation));
    bad |= json_object_set_new(o, "width_px", json_integer(v->width_px));
    bad |= json_object_set_new(o, "height_px", json_integer(v->height_px));
    bad |= json_object_set_new(o, "tile_px", json_integer(v->tile_px));
    bad |= json_object_set_new(o, "region", region_json(&v->region));
    bad |= json_object_set_new(o, "textured_fraction", json_rounded(v->textured_fraction, 4));
    bad |= json_object_set_new(o, "covered_fraction", json_rounded(v->covered_fraction, 4));
    bad |= json_object_set_new(o, "unsharp_before_fraction", json_rounded(v->unsharp_before_fraction, 4));
    bad |= json_object_set_new(o, "unsharp_after_fraction", json_rounded(v->unsharp_after_fraction, 4));
    bad |= json_object_set_new(o, "gaps", gaps_json(v));
    bad |= json_object_set_new(o, "blurred", frames_json(v->blurred.rows, v->blurred.count));
    bad |= json_object_set_new(o, "shifted", frames_json(v->shifted.rows, v->shifted.count));
    bad |= json_object_set_new(o, "swapped", frames_json(v->swapped.rows, v->swapped.count));
    bad |= json_object_set_new(o, "repeated", frames_json(v->repeated.rows, v->repeated.count));
    bad |= json_object_set_new(o, "depth", depth_json(&v->depth));
    bad |= json_object_set_new(o, "drift", drift_json(&v->drift));
    bad |= json_object_set_new(o, "groups", groups_json(v));
    bad |= json_object_set_new(o, "quiet", quiet_json(&v->quiet));
    bad |= json_object_set_new(o, "spots", spots_json(v));
    bad |= json_object_set_new(o, "border", border_json(&v->border));
    bad |= json_object_set_new(o, "light", light_json(&v->light));
    bad |= json_object_set_new(o, "weakest", weakest_json(v));
    bad |= json_object_set_new(o, "tiles", tiles_json(v));
    bad |= json_object_set_new(o, "findings", findings_json(&v->findings));
    return bad ? fail(why, E_NOMEM, "no memory for the verdict; close other programs") : E_OK;
}
