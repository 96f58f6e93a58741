/* cmd_plan_json.c - a plan as one JSON object: every number with its unit in the key, and where it came from.
 */
#include <math.h>
#include <string.h>

#include "base/json.h"
#include "base/units.h"
#include "cmd_plan.h"
#include "config/config.h"
#include "optics/lens.h"
#include "plan/compare.h"
#include "plan/plan.h"
#include "plan/slices.h"
#include "plan/timeline.h"

#define PUPIL_LOW  0.7 /* what lenses used close up mostly lie between (guess) */
#define PUPIL_HIGH 1.4

static void put(json_t *object, const char *key, json_t *value)
{
    json_object_set_new(object, key, value);
}

/* Optics and image figures: six decimals are plenty and hide the last bits of a double. */
static void put_real(json_t *object, const char *key, double value)
{
    put(object, key, json_rounded(value, 6));
}

static void put_known(json_t *object, const char *key, double value)
{
    put(object, key, value > 0 ? json_rounded(value, 6) : json_null());
}

static json_t *picture_json(const struct bench *b, const struct plan *p)
{
    json_t *out = json_object();
    const double width_mm = mm_from_nm(b->camera.sensor_width_nm) / p->optics.magnification;
    put_real(out, "magnification", p->optics.magnification);
    put_real(out, "field_width_mm", width_mm);
    put_real(out, "field_height_mm", width_mm * b->camera.height_px / b->camera.width_px);
    put(out, "width_px", json_integer(b->camera.width_px));
    put(out, "height_px", json_integer(b->camera.height_px));
    put_real(out, "pixel_um", p->optics.pixel_um);
    put_real(out, "pixel_on_subject_um", p->optics.pixel_um / p->optics.magnification);
    return out;
}

static double effective_if(const struct bench *b, const struct job *j, double pupil_ratio)
{
    struct bench other = *b;
    struct plan_optics o;
    other.lens.pupil_ratio = pupil_ratio;
    return plan_optics_make(&other, j, &o, NULL) ? NAN : o.effective_f_number;
}

static json_t *optics_json(const struct bench *b, const struct job *j, const struct plan_optics *o)
{
    json_t *out = json_object();
    const bool assumed = o->marked_f_number > 0 && !b->lens.pupil_ratio_given;
    put_known(out, "marked_f_number", o->marked_f_number);
    put_real(out, "effective_f_number", o->effective_f_number);
    put_known(out, "teleconverter", b->lens.teleconverter);
    put_real(out, "pupil_ratio", o->pupil_ratio);
    put(out, "pupil_ratio_assumed", json_boolean(assumed));
    put(out, "pupil_ratio_low", assumed ? json_real(PUPIL_LOW) : json_null());
    put(out, "pupil_ratio_high", assumed ? json_real(PUPIL_HIGH) : json_null());
    put_real(out, "effective_f_number_at_low", assumed ? effective_if(b, j, PUPIL_LOW) : NAN);
    put_real(out, "effective_f_number_at_high", assumed ? effective_if(b, j, PUPIL_HIGH) : NAN);
    put_real(out, "na", o->na);
    put_known(out, "exposure_factor", o->exposure_factor);
    put_known(out, "exposure_stops", o->exposure_factor > 0 ? o->exposure_stops : 0);
    put_real(out, "airy_diameter_um", o->airy_diameter_um);
    put_real(out, "airy_diameter_px", o->airy_diameter_um / o->pixel_um);
    put_real(out, "blur_limit_px", o->blur_limit_px);
    put_real(out, "geometric_depth_um", o->geometric_dof_um);
    put_real(out, "wave_depth_um", o->wave_dof_um);
    put_real(out, "depth_um", o->dof_um);
    put_known(out, "view_distance_mm", o->view_distance_mm);
    return out;
}

static json_t *spacing_json(const struct job *j, const struct plan *p)
{
    static const char *const by[] = {"contrast", "spacing_um", "overlap", "slices"};
    json_t *out = json_object();
    const double drop = j->contrast_drop > 0 ? j->contrast_drop : PLAN_CONTRAST_DROP;
    const bool inner = p->slice_count - p->margin_near - p->margin_far > 1;
    put(out, "by", json_text(by[p->spacing_by]));
    put(out, "wanted_um", json_um(p->wanted_spacing_nm));
    put(out, "spacing_um", json_um(p->spacing_nm));
    put(out, "ends_on_far_mark", json_boolean(inner));
    put(out, "overlap", json_rounded(p->optics.overlap, 6));
    put(out, "contrast_midway", json_rounded(p->optics.contrast_midway, 6));
    put(out, "contrast_allowed",
        p->spacing_by == SPACING_BY_CONTRAST ? json_rounded(1 - drop, 6) : json_null());
    put_real(out, "test_frequency_lp_per_mm", p->optics.test_frequency_lp_per_mm);
    return out;
}

static json_t *slices_json(const struct plan *p)
{
    json_t *out = json_object();
    put(out, "count", json_integer(p->slice_count));
    put(out, "inner", json_integer(p->slice_count - p->margin_near - p->margin_far));
    put(out, "margin_near", json_integer(p->margin_near));
    put(out, "margin_far", json_integer(p->margin_far));
    put(out, "near_mm", json_mm(p->near_nm));
    put(out, "far_mm", json_mm(p->far_nm));
    put(out, "depth_mm", json_mm(p->far_nm - p->near_nm));
    return out;
}

static json_t *travel_json(const struct bench *b, const struct plan *p)
{
    json_t *out = json_object();
    put(out, "first_mm", json_mm(p->travel.first_nm));
    put(out, "last_mm", json_mm(p->travel.last_nm));
    put(out, "take_up_um", json_um(p->travel.take_up_nm));
    put(out, "toward_subject_mm", json_mm(p->travel.toward_subject_nm));
    put(out, "clearance_mm", b->axis.clearance_nm ? json_mm(b->axis.clearance_nm) : json_null());
    put_real(out, "smallest_move_um", (double)p->nm_per_count_num / (double)p->nm_per_count_den / NM_PER_UM);
    return out;
}

static json_t *compose_json(const struct plan *p)
{
    json_t *out = json_object();
    const bool known = p->optics.view_distance_mm > 0;
    put_real(out, "looser", known ? p->compose_looser : NAN);
    put_real(out, "scale_change", known ? p->optics.scale_change : NAN);
    return out;
}

static json_t *timeline_json(const struct plan_timeline *t)
{
    json_t *out = json_object();
    put(out, "start_delay_s", json_s(t->start_delay_us));
    put(out, "approach_s", t->by_hand ? json_null() : json_s(t->approach_us));
    put(out, "by_hand", json_boolean(t->by_hand));
    put(out, "fired_by_others", json_boolean(t->by_others));
    put(out, "move_ms", t->by_hand ? json_null() : json_ms(t->move_us));
    put(out, "settle_ms", json_ms(t->settle_us));
    put(out, "shutter_lag_ms", json_ms(t->lag_us));
    put(out, "exposure_s", json_s(t->exposure_us));
    put(out, "recycle_s", t->recycle_us ? json_s(t->recycle_us) : json_null());
    put(out, "camera_busy_s", t->busy_us ? json_s(t->busy_us) : json_null());
    put(out, "slice_s", json_s(t->slice_us));
    put(out, "closing_s", json_s(t->closing_us));
    put(out, "quiet_frame_s", t->quiet ? json_s(t->quiet_us) : json_null());
    put(out, "total_s", json_s(t->total_us));
    return out;
}

static json_t *slots_json(const struct plan_shape *s)
{
    json_t *out = json_array();
    for (int i = 0; i < s->slot_count; i++) {
        json_t *slot = json_object();
        put(slot, "ms", json_ms(s->slots[i].us));
        put(slot, "share", json_rounded(s->slots[i].share / 65536.0, 6));
        json_array_append_new(out, slot);
    }
    return out;
}

/* How the axis goes from slice to slice; null where nobody knows how the bench rings. */
static json_t *shape_json(const struct plan_timeline *t)
{
    static const char *const by[] = {"ramp", "zvd", "zvdd"};
    const struct plan_shape *s = &t->shape;
    if (s->why == SHAPE_NO_RING) return json_null();
    json_t *out = json_object();
    put(out, "by", json_text(by[s->kind]));
    put(out, "box_periods", s->kind == SHAPER_NONE ? json_null() : json_rounded(s->box_halves / 2.0, 1));
    put(out, "slots", slots_json(s));
    put(out, "ring_hz", json_rounded(t->ring.hz, 6));
    put(out, "ring_zeta", json_rounded(t->ring.zeta, 6));
    put(out, "ring_uncertainty", json_rounded(t->ring.share, 6));
    put(out, "left_um", json_um(s->residual_nm));
    put(out, "budget_um", json_um(t->budget_nm));
    put(out, "wait_ms", json_ms(s->wait_us));
    put(out, "wait_after_ramp_ms", t->settle_given ? json_null() : json_ms(t->ramp_settle_us));
    return out;
}

/* --- where each number came from --- */

static void input(json_t *list, const char *from, const struct origins *origins, const char *key,
                  json_t *value)
{
    const int32_t line = origin_line(origins, key);
    json_t *row = json_object();
    put(row, "key", json_text(key));
    put(row, "value", value);
    put(row, "from", json_text(line ? from : "default"));
    put(row, "line", line ? json_integer(line) : json_null());
    json_array_append_new(list, row);
}

/* Only if the file gives it. */
static void input_given(json_t *list, const char *from, const struct origins *origins, const char *key,
                        json_t *value)
{
    if (origin_line(origins, key))
        input(list, from, origins, key, value);
    else
        json_decref(value);
}

/* As it was found at the bench, if it was; else it is what the file says. */
static bool input_measured(json_t *list, const char *key, const struct mark *m, json_t *value)
{
    if (!m->at[0]) {
        json_decref(value);
        return false;
    }
    json_t *row = json_object();
    put(row, "key", json_text(key));
    put(row, "value", value);
    put(row, "from", json_text("measured"));
    put(row, "line", json_null());
    put(row, "uncertainty_um", json_um(m->uncertainty_nm));
    put(row, "at", json_text(m->at));
    put(row, "how", json_text(m->how));
    json_array_append_new(list, row);
    return true;
}

static void job_inputs(json_t *list, const struct job *j, const struct plan *p)
{
    const struct origins *o = &j->origins;
    const struct plan_timeline *t = &p->timeline;
    const double drop = j->contrast_drop > 0 ? j->contrast_drop : PLAN_CONTRAST_DROP;
    input_given(list, "job", o, "magnification", json_number(j->magnification));
    input_given(list, "job", o, "field_width_mm", json_mm(j->field_width_nm));
    const bool near = input_measured(list, "near_mm", &j->near_mark, json_mm(j->near_mark.position_nm)),
               far = input_measured(list, "far_mm", &j->far_mark, json_mm(j->far_mark.position_nm));
    if (!near) input_given(list, "job", o, "near_mm", json_mm(j->near_nm));
    if (!far) input_given(list, "job", o, "far_mm", json_mm(j->far_nm));
    if (!near || !far) input_given(list, "job", o, "depth_mm", json_mm(p->far_nm - p->near_nm));
    input_given(list, "job", o, "far_guessed", json_boolean(j->far_guessed));
    input_given(list, "job", o, "spacing_um", json_um(j->spacing_nm));
    input_given(list, "job", o, "overlap", json_number(j->overlap));
    input_given(list, "job", o, "slices", json_integer(j->slices));
    if (p->spacing_by == SPACING_BY_CONTRAST) input(list, "job", o, "contrast_drop", json_number(drop));
    input(list, "job", o, "blur_limit_px", json_number(p->optics.blur_limit_px));
    if (t->settle_given || t->shape.why == SHAPE_NO_RING)
        input(list, "job", o, "settle_ms", json_ms(t->settle_us));
    input(list, "job", o, "exposure_s", json_s(t->exposure_us));
    input(list, "job", o, "start_delay_s", json_s(t->start_delay_us));
}

/* What it can do, which may be less than what the file asks for. */
static int64_t speed_nm_per_s(const struct bench *b)
{
    const struct timeline_motion m = timeline_motion(b);
    return slices_nm_of(m.speed_counts_per_s, m.num, m.den);
}

static void input_sizes(json_t *list, const struct bench *b)
{
    json_t *row = json_object();
    put(row, "key", json_text("axis.size_counts"));
    put(row, "value", json_text(b->axis.sizes));
    put(row, "from", json_text("measured"));
    put(row, "line", json_null());
    put(row, "at", json_text(b->measured.sizes_at));
    put(row, "how", json_text("from pictures, size by size"));
    json_array_append_new(list, row);
}

static void lens_drive_inputs(json_t *list, const struct bench *b)
{
    const struct origins *o = &b->origins;
    input(list, "bench", o, "axis.um_per_count", json_um(b->axis.lead_nm));
    if (!b->measured.backlash.at[0])
        input_given(list, "bench", o, "axis.backlash_counts", json_integer(b->axis.backlash_counts));
    input_given(list, "bench", o, "axis.range_counts", json_integer(b->axis.range_counts));
    if (b->measured.sizes_at[0])
        input_sizes(list, b);
    else
        input_given(list, "bench", o, "axis.size_counts", json_text(b->axis.sizes));
    input_given(list, "bench", o, "axis.rest_ms", json_ms(b->axis.rest_us));
}

static void axis_inputs(json_t *list, const struct bench *b)
{
    if (b->axis.by_lens) {
        lens_drive_inputs(list, b);
        return;
    }
    input(list, "bench", &b->origins, "axis.lead_mm", json_mm(b->axis.lead_nm));
    const bool hand = b->axis.by_hand;
    const char *turn = hand ? "axis.marks_per_turn" : "axis.steps_per_rev";
    const char *part = hand ? "axis.parts_per_mark" : "axis.microsteps";
    input(list, "bench", &b->origins, turn, json_integer(b->axis.steps_per_rev));
    input(list, "bench", &b->origins, part, json_integer(b->axis.microsteps));
}

static void bench_inputs(json_t *list, const struct bench *b)
{
    const struct origins *o = &b->origins;
    input(list, "bench", o, "camera.width_px", json_integer(b->camera.width_px));
    input(list, "bench", o, "camera.height_px", json_integer(b->camera.height_px));
    input(list, "bench", o, "camera.sensor_width_mm", json_mm(b->camera.sensor_width_nm));
    input(list, "bench", o, "camera.shutter_lag_ms", json_ms(b->camera.shutter_lag_us));
    input_given(list, "bench", o, "camera.busy_s", json_s(b->camera.busy_us));
    input_given(list, "bench", o, "camera.folder", json_text(b->camera.folder));
    input_given(list, "bench", o, "camera.raw_and_jpeg", json_boolean(b->camera.raw_and_jpeg));
    input_given(list, "bench", o, "camera.wait_s", json_s(b->camera.wait_us));
    axis_inputs(list, b);
    input_given(list, "bench", o, "axis.clearance_mm", json_mm(b->axis.clearance_nm));
    if (!input_measured(list, "axis.backlash_um", &b->measured.backlash,
                        json_um(b->measured.backlash.position_nm)))
        input_given(list, "bench", o, "axis.backlash_um", json_um(b->axis.backlash_nm));
    if (!b->axis.by_hand && !b->axis.by_lens)
        input(list, "bench", o, "axis.speed_mm_per_s", json_mm(speed_nm_per_s(b)));
    input_given(list, "bench", o, "axis.start_mm_per_s", json_mm(b->axis.start_nm_per_s));
    input_given(list, "bench", o, "axis.avoid_mm_per_s", json_text(b->axis.avoid));
    if (b->axis.ring_hz > 0) {
        input(list, "bench", o, "axis.ring_hz", json_number(b->axis.ring_hz));
        input(list, "bench", o, "axis.ring_zeta", json_number(b->axis.ring_zeta));
        input(list, "bench", o, "axis.ring_uncertainty", json_number(b->axis.ring_share));
    }
    input_given(list, "bench", o, "lens.focal_length_mm", json_mm(b->lens.focal_length_nm));
    input_given(list, "bench", o, "lens.f_number", json_number(b->lens.f_number));
    input_given(list, "bench", o, "lens.effective_f_number", json_number(b->lens.effective_f_number));
    input_given(list, "bench", o, "lens.na", json_number(b->lens.na));
    input(list, "bench", o, "lens.pupil_ratio", json_number(b->lens.pupil_ratio));
    input_given(list, "bench", o, "lens.teleconverter", json_number(b->lens.teleconverter));
    input(list, "bench", o, "light.kind", json_text(b->light.kind == LIGHT_FLASH ? "flash" : "continuous"));
    input_given(list, "bench", o, "light.recycle_s", json_s(b->light.recycle_us));
}

/* --- other choices --- */

static json_t *row_json(const struct compare_row *row)
{
    json_t *out = json_object();
    const struct plan *p = &row->plan;
    put(out, "own", json_boolean(row->own));
    put_known(out, "marked_f_number", row->marked);
    put_real(out, "effective_f_number", row->effective);
    put_known(out, "contrast_drop", row->contrast_drop);
    put(out, "overlap_asked", row->overlap >= 0 ? json_number(row->overlap) : json_null());
    put_real(out, "airy_diameter_px", row->airy_px);
    put_real(out, "contrast_in_focus", row->contrast_in_focus);
    put(out, "possible", json_boolean(!row->refused));
    put_real(out, "depth_um", row->refused ? NAN : p->optics.dof_um);
    put(out, "spacing_um", row->refused ? json_null() : json_um(p->spacing_nm));
    put_real(out, "overlap", row->refused ? NAN : p->optics.overlap);
    put_real(out, "contrast_midway", row->refused ? NAN : p->optics.contrast_midway);
    put(out, "slices", row->refused ? json_null() : json_integer(p->slice_count));
    put(out, "total_s", row->refused ? json_null() : json_s(p->timeline.total_us));
    return out;
}

static json_t *rows_json(const struct compare_row *rows, int count)
{
    json_t *out = json_array();
    for (int i = 0; i < count; i++)
        json_array_append_new(out, row_json(&rows[i]));
    return out;
}

void plan_describe_choices(json_t *result, const struct bench *b, const struct job *j)
{
    struct compare_row rows[COMPARE_MOST];
    json_t *out = json_object();
    put(out, "apertures", rows_json(rows, compare_apertures(b, j, rows)));
    put(out, "spacings", rows_json(rows, compare_spacings(b, j, rows)));
    put(result, "compare", out);
}

static json_t *within_json(const struct within *w)
{
    json_t *out = json_object();
    const struct plan *p = &w->finest;
    put(out, "limit_s", json_s(w->limit_us));
    put(out, "job_fits", json_boolean(w->job_fits));
    put(out, "closest_spacing_um", json_um(p->spacing_nm));
    put(out, "slices", json_integer(p->slice_count));
    put_real(out, "contrast_midway", p->optics.contrast_midway);
    put(out, "total_s", json_s(p->timeline.total_us));
    put(out, "settle_ms_that_fits", w->ways.settle_us >= 0 ? json_ms(w->ways.settle_us) : json_null());
    put_known(out, "f_number_that_fits", w->ways.f_number);
    put(out, "depth_mm_that_fits", w->ways.depth_nm >= 0 ? json_mm(w->ways.depth_nm) : json_null());
    return out;
}

void plan_describe(json_t *result, const struct bench *b, const struct job *j, const struct plan *p,
                   const struct within *within)
{
    json_t *inputs = json_array();
    put(result, "job", json_text(j->name));
    put(result, "bench", b->name[0] ? json_text(b->name) : json_null());
    put(result, "job_file", json_text(j->path));
    put(result, "bench_file", json_text(b->path));
    put(result, "picture", picture_json(b, p));
    put(result, "optics", optics_json(b, j, &p->optics));
    put(result, "spacing", spacing_json(j, p));
    put(result, "slices", slices_json(p));
    put(result, "travel", travel_json(b, p));
    put(result, "compose", compose_json(p));
    put(result, "timeline", timeline_json(&p->timeline));
    put(result, "shape", shape_json(&p->timeline));
    if (within) put(result, "within", within_json(within));
    job_inputs(inputs, j, p);
    bench_inputs(inputs, b);
    put(result, "inputs", inputs);
}
