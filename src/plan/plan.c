#include "plan/plan.h"

#include <math.h>
#include <string.h>

#include "base/findings.h"
#include "base/mem.h"
#include "base/units.h"
#include "config/config.h"
#include "optics/diffraction.h"
#include "optics/lens.h"
#include "plan/shaper.h"
#include "plan/slices.h"
#include "plan/spacing.h"
#include "plan/timeline.h"
#include "staddle/wire.h"

#define TAKE_UP_NM      100000 /* where the bench gives no backlash: more than most screws have (guess) */
#define TAKE_UP_COUNTS  20     /* of a lens whose play was not measured (guess) */
#define NA_PARAXIAL     0.2    /* beyond, sine and tangent part by more than 2 % */
#define COUNTS_MOST     (WIRE_FURTHEST / 2) /* room on either side for finding the end switch */
#define BUDGET_LEAST_NM 10
#define COARSE_COUNTS   4 /* fewer counts from slice to slice than that, and the spacing is uneven */

#define BENCH_AT(b, key) (b)->path, (int)line_or_1(&(b)->origins, key)
#define JOB_AT(j, key)   (j)->path, (int)line_or_1(&(j)->origins, key)

static int32_t line_or_1(const struct origins *origins, const char *key)
{
    const int32_t line = origin_line(origins, key);
    return line ? line : 1;
}

/* --- optics --- */

/* A teleconverter behind the lens enlarges what the lens alone would give, and slows it by the same factor.
 */
static int effective_f_number(const struct bench *b, double m, double *out, struct err *why)
{
    const struct lens_spec *l = &b->lens;
    const double pupil = l->pupil_ratio > 0 ? l->pupil_ratio : 1;
    const double extender = l->teleconverter > 0 ? l->teleconverter : 1;
    if (l->effective_f_number > 0)
        *out = l->effective_f_number;
    else if (l->na > 0)
        *out = lens_effective_from_na(l->na, m);
    else if (l->f_number > 0)
        *out = extender * lens_effective_f_number(l->f_number, m / extender, pupil);
    else
        return fail(why, E_INPUT, "%s:%d: the lens has no aperture; write f_number, effective_f_number or na",
                    BENCH_AT(b, "lens"));
    return E_OK;
}

static double view_distance_mm(const struct lens_spec *l, double m)
{
    const double extender = l->teleconverter > 0 ? l->teleconverter : 1;
    const double pupil = l->pupil_ratio > 0 ? l->pupil_ratio : 1;
    return l->focal_length_nm ? lens_view_distance_mm(mm_from_nm(l->focal_length_nm), m / extender, pupil)
                              : 0;
}

int plan_optics_make(const struct bench *b, const struct job *j, struct plan_optics *out, struct err *why)
{
    struct plan_optics o = {0};
    o.magnification = j->magnification > 0 ? j->magnification
                                           : (double)b->camera.sensor_width_nm / (double)j->field_width_nm;
    int rc = effective_f_number(b, o.magnification, &o.effective_f_number, why);
    if (rc) return rc;
    const double n = o.effective_f_number, m = o.magnification;
    o.marked_f_number = b->lens.f_number;
    o.pupil_ratio = b->lens.pupil_ratio > 0 ? b->lens.pupil_ratio : 1;
    o.na = lens_object_na(n, m);
    /* Light lost against the same lens at infinity, as marked; unknown without the mark. */
    o.exposure_factor = o.marked_f_number > 0 ? (n / o.marked_f_number) * (n / o.marked_f_number) : 0;
    o.exposure_stops = o.exposure_factor > 0 ? log2(o.exposure_factor) : 0;
    o.airy_diameter_um = 1000 * diffraction_airy_diameter_mm(n, LIGHT_MM);
    o.pixel_um = 1000 * lens_pixel_mm(mm_from_nm(b->camera.sensor_width_nm), b->camera.width_px);
    o.blur_limit_px = j->blur_limit_px > 0 ? j->blur_limit_px : PLAN_BLUR_LIMIT_PX;
    o.geometric_dof_um = 1000 * lens_depth_close_mm(n, o.blur_limit_px * o.pixel_um / 1000, m);
    o.wave_dof_um = 1000 * diffraction_wave_depth_mm(n, m, LIGHT_MM);
    o.dof_um = o.geometric_dof_um + o.wave_dof_um;
    o.test_frequency_lp_per_mm = spacing_frequency(n, o.pixel_um);
    o.view_distance_mm = view_distance_mm(&b->lens, m);
    *out = o;
    return E_OK;
}

/* --- spacing and slices --- */

static enum plan_spacing spacing_kind(const struct job *j)
{
    if (j->slices) return SPACING_BY_SLICES;
    if (j->spacing_nm) return SPACING_GIVEN;
    return j->overlap >= 0 ? SPACING_BY_OVERLAP : SPACING_BY_CONTRAST;
}

static const char *const spacing_keys[] = {"contrast_drop", "spacing_um", "overlap", "slices"};

static int64_t wanted_nm(const struct plan *p, const struct job *j)
{
    const double drop = j->contrast_drop > 0 ? j->contrast_drop : PLAN_CONTRAST_DROP;
    switch (p->spacing_by) {
    case SPACING_GIVEN:
        return j->spacing_nm;
    case SPACING_BY_OVERLAP:
        return nm_from_um(p->optics.dof_um * (1 - j->overlap));
    case SPACING_BY_SLICES:
        if (j->slices > 1) return (p->far_nm - p->near_nm + j->slices - 2) / (j->slices - 1);
        break;
    case SPACING_BY_CONTRAST:
        break;
    }
    return nm_from_um(spacing_by_contrast_um(&p->optics, drop));
}

static int too_many(const struct plan *p, const struct job *j, int64_t inner, struct err *why)
{
    const int margin = p->margin_near + p->margin_far;
    const int gaps = PLAN_SLICES_MOST - margin - 1;
    const int64_t depth_nm = p->far_nm - p->near_nm;
    const char *key = j->depth_kind == DEPTH_LENGTH ? "depth_mm" : "far_mm";
    return fail(why, E_INPUT,
                "%s:%d: %.6g mm at %.4g um take %lld slices and %d of margin, more than %d; "
                "shoot at most %.3f mm, or every %.2f um, or close the aperture",
                JOB_AT(j, key), mm_from_nm(depth_nm), um_from_nm(p->wanted_spacing_nm), (long long)inner,
                margin, PLAN_SLICES_MOST, floor(mm_from_nm(gaps * p->wanted_spacing_nm) * 1000) / 1000,
                ceil(um_from_nm(depth_nm) / gaps * 100) / 100);
}

static int choose_inner(const struct plan *p, const struct job *j, int32_t *inner_out, struct err *why)
{
    const int64_t depth_nm = p->far_nm - p->near_nm;
    if (p->spacing_by == SPACING_BY_SLICES && j->slices > 1 && !depth_nm)
        return fail(why, E_INPUT,
                    "%s:%d: near and far are one place, which takes one slice; write slices: 1, or a depth",
                    JOB_AT(j, "slices"));
    if (p->wanted_spacing_nm < 1)
        return fail(why, E_INPUT, "%s:%d: the spacing comes out below 1 nm; allow less overlap",
                    JOB_AT(j, spacing_keys[p->spacing_by]));
    if (p->spacing_by == SPACING_BY_SLICES && j->slices == 1 && depth_nm)
        return fail(why, E_INPUT, "%s:%d: one slice cannot lie on both marks; write at least 2",
                    JOB_AT(j, "slices"));
    const int64_t inner = p->spacing_by == SPACING_BY_SLICES && depth_nm
                              ? j->slices
                              : slices_needed(depth_nm, p->wanted_spacing_nm);
    if (inner + p->margin_near + p->margin_far > PLAN_SLICES_MOST) return too_many(p, j, inner, why);
    *inner_out = (int32_t)inner;
    return E_OK;
}

static int lay_slices(struct plan *p, const struct job *j, bool fixed_counts, struct err *why)
{
    int32_t inner = 0;
    int rc = choose_inner(p, j, &inner, why);
    if (rc) return rc;
    const int64_t depth_nm = p->far_nm - p->near_nm;
    p->spacing_nm = inner > 1 ? (depth_nm + (inner - 1) / 2) / (inner - 1) : p->wanted_spacing_nm;
    p->slice_count = p->margin_near + inner + p->margin_far;
    p->slices = mem_new((size_t)p->slice_count, sizeof *p->slices, why);
    if (!p->slices) return E_NOMEM;
    const struct slices_spec spec = {p->near_nm,          p->far_nm,          inner,
                                     p->spacing_nm,       p->margin_near,     p->margin_far,
                                     p->nm_per_count_num, p->nm_per_count_den};
    struct err inner_why = {0};
    rc = slices_lay(&spec, p->slices, &inner_why);
    if (!rc) return E_OK;
    return fail(why, E_INPUT, "%s:%d: at a spacing of %.4g um %s; space wider%s",
                JOB_AT(j, spacing_keys[p->spacing_by]), um_from_nm(p->spacing_nm), inner_why.text,
                fixed_counts ? "" : ", or set finer microsteps");
}

/* --- travel --- */

/* Twice the backlash, so that the guess may be half too small; a whole count up. */
static int64_t take_up_nm(const struct bench *b, const struct plan *p)
{
    const char *key = b->axis.by_lens ? "axis.backlash_counts" : "axis.backlash_um";
    const bool none = (b->axis.by_hand || b->axis.by_lens) && b->axis.backlash_nm == 0;
    if (none && origin_line(&b->origins, key)) return 0;
    const int64_t unknown = b->axis.by_lens ? TAKE_UP_COUNTS * b->axis.lead_nm : TAKE_UP_NM;
    const int64_t wanted = b->axis.backlash_nm ? 2 * b->axis.backlash_nm : unknown;
    return slices_nm_of(slices_counts_of(wanted, p->nm_per_count_num, p->nm_per_count_den) + 1,
                        p->nm_per_count_num, p->nm_per_count_den);
}

/* Where in its range the lens stands at first nobody knows; more than all of it cannot be. */
static int check_range(const struct bench *b, const struct plan *p, struct err *why)
{
    const int64_t counts = slices_counts_of(p->travel.last_nm - p->travel.first_nm + p->travel.take_up_nm,
                                            p->nm_per_count_num, p->nm_per_count_den);
    if (!b->axis.range_counts || counts <= b->axis.range_counts) return E_OK;
    return fail(why, E_INPUT,
                "%s:%d: the stack takes %lld counts of the lens, and from stop to stop it has %d; shoot less "
                "depth, or use a rail",
                BENCH_AT(b, "axis.range_counts"), (long long)counts, (int)b->axis.range_counts);
}

static int fill_travel(const struct bench *b, struct plan *p, struct err *why)
{
    p->travel.first_nm = p->slices[0].target_nm;
    p->travel.last_nm = p->slices[p->slice_count - 1].target_nm;
    p->travel.take_up_nm = take_up_nm(b, p);
    p->travel.toward_subject_nm = p->travel.last_nm - p->near_nm;
    if (p->slices[0].target_counts < -COUNTS_MOST ||
        p->slices[p->slice_count - 1].target_counts > COUNTS_MOST)
        return fail(
            why, E_INPUT,
            "%s:%d: from %.6g to %.6g mm is more than the axis can count in moves of %.3g um; set coarser "
            "microsteps, or measure positions from nearer by",
            BENCH_AT(b, b->axis.by_lens   ? "axis.um_per_count"
                        : b->axis.by_hand ? "axis.parts_per_mark"
                                          : "axis.microsteps"),
            mm_from_nm(p->travel.first_nm), mm_from_nm(p->travel.last_nm),
            (double)p->nm_per_count_num / (double)p->nm_per_count_den / NM_PER_UM);
    if (b->axis.clearance_nm && p->travel.toward_subject_nm > b->axis.clearance_nm)
        return fail(
            why, E_INPUT,
            "%s:%d: the last slice lies %.4g mm beyond the near mark, and the axis may go %.4g mm toward the "
            "subject; shoot less depth, or make room and raise clearance_mm",
            BENCH_AT(b, "axis.clearance_mm"), mm_from_nm(p->travel.toward_subject_nm),
            mm_from_nm(b->axis.clearance_nm));
    return check_range(b, p, why);
}

static void fill_view(struct plan *p)
{
    const double advance_mm = mm_from_nm(p->travel.last_nm - p->travel.first_nm);
    if (!(p->optics.view_distance_mm > 0)) return;
    const double scale = lens_rail_scale(p->optics.view_distance_mm, advance_mm);
    p->optics.scale_change = 1 - scale;
    p->compose_looser = 1 / scale - 1;
}

/* What a picture does not show at a glance, where pixels are small: a quarter of one, zero-to-peak (our
 * choice). */
static int64_t shake_budget_nm(const struct plan_optics *o)
{
    const double quarter_nm = o->pixel_um / o->magnification * NM_PER_UM / 4;
    return (int64_t)fmax(BUDGET_LEAST_NM, fmin(SHAPER_BUDGET_NM, quarter_nm));
}

static void fill_timeline(const struct bench *b, const struct job *j, struct plan *p)
{
    const struct timeline_path path = {p->near_nm, p->travel.first_nm, p->travel.last_nm,
                                       p->travel.take_up_nm, p->slice_count};
    const struct timeline_motion motion = timeline_motion(b);
    timeline_waits(b, j, &p->timeline);
    p->timeline.budget_nm = shake_budget_nm(&p->optics);
    timeline_fill(&p->timeline, &path, &motion);
}

/* --- what may be shot, but not well --- */

static int say_lens(const struct bench *b, const struct plan *p, struct finding_list *list, struct err *why)
{
    const struct plan_optics *o = &p->optics;
    int rc = E_OK;
    if (!(o->view_distance_mm > 0))
        rc = finding_add(
            list,
            (struct finding_about){.code = "perspective-unknown",
                                   .advice = "write focal_length_mm in "
                                             "the bench file, or leave room around the subject"},
            why,
            "without a focal length nobody can say how much the picture's scale changes through the stack");
    else if (mm_from_nm(p->travel.toward_subject_nm) >= o->view_distance_mm)
        rc = finding_add(
            list,
            (struct finding_about){.code = "into-the-lens",
                                   .grave = true,
                                   .advice = "shoot less depth, "
                                             "or use a longer lens"},
            why,
            "the axis goes %.4g mm toward the subject, but the lens sees it from %.4g mm: the nearest part "
            "would be inside the lens",
            mm_from_nm(p->travel.toward_subject_nm), o->view_distance_mm);
    if (!rc && b->lens.na > NA_PARAXIAL)
        rc = finding_add(list,
                         (struct finding_about){.code = "high-aperture",
                                                .advice = "space a little closer than "
                                                          "planned"},
                         why, "at NA %.3g the depth of field is less than these formulas say", b->lens.na);
    return rc;
}

static int say_axis(const struct bench *b, const struct plan *p, struct finding_list *list, struct err *why)
{
    int rc = E_OK;
    if (!b->axis.clearance_nm && !b->axis.by_lens)
        rc = finding_add(list,
                         (struct finding_about){
                             .code = "clearance-unknown",
                             .advice = "measure how far the axis may "
                                       "go toward the subject and write clearance_mm in the bench file"},
                         why,
                         "nothing limits how far the axis goes toward the subject; this plan needs %.4g mm",
                         mm_from_nm(p->travel.toward_subject_nm));
    const struct timeline_motion m = timeline_motion(b);
    const int64_t speed_nm_per_s = slices_nm_of(m.speed_counts_per_s + 1, m.num, m.den);
    if (!rc && !b->axis.by_hand && !b->axis.by_lens && b->axis.speed_nm_per_s > speed_nm_per_s)
        rc = finding_add(list,
                         (struct finding_about){.code = "speed-limited",
                                                .advice = "set coarser microsteps to go "
                                                          "faster"},
                         why, "the axis goes %.3g mm/s at most, %lld steps a second, not %.3g",
                         mm_from_nm(speed_nm_per_s), (long long)m.speed_counts_per_s,
                         mm_from_nm(b->axis.speed_nm_per_s));
    const int64_t counts = slices_counts_of(p->spacing_nm, p->nm_per_count_num, p->nm_per_count_den);
    if (!rc && p->slice_count > 1 && counts < COARSE_COUNTS)
        rc = finding_add(
            list,
            (struct finding_about){.code = "coarse-axis",
                                   .advice = b->axis.by_hand   ? "space wider, or by whole marks"
                                             : b->axis.by_lens ? "space wider, or use a rail"
                                                               : "set finer microsteps, or space wider"},
            why, "a slice is only %lld of the axis's smallest moves apart: the spacing is uneven",
            (long long)counts);
    return rc;
}

static int say_spacing(const struct plan *p, struct finding_list *list, struct err *why)
{
    const double lost = 1 - p->optics.contrast_midway;
    if (lost <= 0.5) return E_OK;
    return finding_add(
        list,
        (struct finding_about){.code = "spacing-wide",
                               .grave = true,
                               .advice = "space closer, or "
                                         "close the aperture"},
        why, "midway between two slices fine detail keeps %.0f %% of its contrast: there will be soft bands",
        fmax(0, 100 * p->optics.contrast_midway));
}

static int say_shape(const struct bench *b, const struct plan *p, struct finding_list *list, struct err *why)
{
    const struct plan_timeline *t = &p->timeline;
    const double left_um = um_from_nm(t->shape.residual_nm), budget_um = um_from_nm(t->budget_nm);
    const double wait_ms = (double)t->shape.wait_us / US_PER_MS;
    if (!t->shape.wait_us) return E_OK;
    if (t->settle_given && t->settle_us < t->shape.wait_us)
        return finding_add(
            list,
            (struct finding_about){.code = "settle-short", .advice = "settle longer, or leave settle_ms out"},
            why, "%.4g um may still ring after a move, and until that is less than %.3g um it takes %.0f ms",
            left_um, budget_um, wait_ms);
    if (t->settle_given) return E_OK;
    if (t->shape.why == SHAPE_TOO_FAST)
        return finding_add(
            list,
            (struct finding_about){.code = "unshaped",
                                   .advice = "if it can start faster, write start_mm_per_s; or space closer"},
            why,
            "no shape suits a motor that starts at %.3g mm/s%s: moves go by the ramp, and %.0f ms of waiting "
            "follow each",
            mm_from_nm(b->axis.start_nm_per_s
                           ? b->axis.start_nm_per_s
                           : slices_nm_of(TIMELINE_START_COUNTS, p->nm_per_count_num, p->nm_per_count_den)),
            b->axis.band_count ? " and the speeds to avoid" : "", wait_ms);
    return finding_add(
        list,
        (struct finding_about){.code = "rings-on",
                               .advice = "measure the ringing more closely, and write ring_uncertainty"},
        why, "each move leaves up to %.3g um ringing, more than %.3g um: %.0f ms of waiting follow it",
        left_um, budget_um, wait_ms);
}

static int say_quiet(const struct bench *b, const struct job *j, struct finding_list *list, struct err *why)
{
    const char *no = timeline_no_quiet(b);
    if (!j->quiet_frame || !no) return E_OK;
    return finding_add(list, (struct finding_about){.code = "quiet-frame", .advice = ""}, why,
                       "the quiet frame will not be taken: %s", no);
}

/* --- all of it --- */

static int check_light(const struct bench *b, const struct job *j, struct err *why)
{
    struct plan_timeline waits;
    timeline_waits(b, j, &waits);
    if (b->light.kind != LIGHT_FLASH || !b->camera.sync_us || waits.exposure_us >= b->camera.sync_us)
        return E_OK;
    return fail(why, E_INPUT,
                "%s:%d: %.4g s is shorter than the %.4g s that the camera needs with a flash; expose longer",
                JOB_AT(j, "exposure_s"), s_from_us(waits.exposure_us), s_from_us(b->camera.sync_us));
}

static int check_given(const struct bench *b, const struct job *j, struct err *why)
{
    if (b->axis.kind[0] && strcmp(b->axis.kind, "rail") != 0 && !b->axis.by_hand && !b->axis.by_lens)
        return fail(why, E_UNSUPPORTED, "%s:%d: axis.kind: %.20s is not known; write rail, hand or lens",
                    BENCH_AT(b, "axis.kind"), b->axis.kind);
    if (j->depth_kind == DEPTH_NONE && (j->near_mark.at[0] || j->far_mark.at[0]))
        return fail(why, E_INPUT, "%s:1: only the %s end is marked; mark the %s end, too", j->path,
                    j->near_mark.at[0] ? "near" : "far", j->near_mark.at[0] ? "far" : "near");
    if (j->near_nm > j->far_nm && (j->near_mark.at[0] || j->far_mark.at[0]))
        return fail(why, E_INPUT,
                    "%s:1: as marked, near at %.4f mm lies behind far at %.4f mm; mark them again", j->path,
                    mm_from_nm(j->near_nm), mm_from_nm(j->far_nm));
    if (j->depth_kind == DEPTH_NONE)
        return fail(why, E_INPUT, "%s:1: near and far are missing; write near_mm and far_mm, or depth_mm",
                    j->path);
    if (j->near_nm > j->far_nm)
        return fail(why, E_INPUT, "%s:%d: near lies behind far; exchange them", JOB_AT(j, "near_mm"));
    return check_light(b, j, why);
}

static int fill(const struct bench *b, const struct job *j, struct plan *p, struct err *why)
{
    int rc = plan_optics_make(b, j, &p->optics, why);
    if (rc) return rc;
    p->near_nm = j->depth_kind == DEPTH_LENGTH ? 0 : j->near_nm;
    p->far_nm = j->far_nm;
    p->margin_near = PLAN_MARGIN;
    p->margin_far = j->far_guessed ? PLAN_MARGIN_GUESSED : PLAN_MARGIN;
    slices_count_length(&b->axis, &p->nm_per_count_num, &p->nm_per_count_den);
    p->spacing_by = spacing_kind(j);
    p->wanted_spacing_nm = wanted_nm(p, j);
    if ((rc = lay_slices(p, j, b->axis.by_hand || b->axis.by_lens, why))) return rc;
    p->optics.contrast_midway = spacing_contrast_midway(&p->optics, um_from_nm(p->spacing_nm));
    p->optics.overlap = 1 - um_from_nm(p->spacing_nm) / p->optics.dof_um;
    if ((rc = fill_travel(b, p, why))) return rc;
    fill_view(p);
    fill_timeline(b, j, p);
    return E_OK;
}

int plan_make(const struct bench *b, const struct job *j, struct plan *out, struct finding_list *findings,
              struct err *why)
{
    struct plan p = {.source = PLAN_PLANNED};
    int rc = check_given(b, j, why);
    if (!rc) rc = fill(b, j, &p, why);
    if (!rc && findings) {
        rc = say_lens(b, &p, findings, why);
        if (!rc) rc = say_axis(b, &p, findings, why);
        if (!rc) rc = say_spacing(&p, findings, why);
        if (!rc) rc = say_shape(b, &p, findings, why);
        if (!rc) rc = say_quiet(b, j, findings, why);
    }
    if (rc) {
        plan_clear(&p);
        return rc;
    }
    *out = p;
    return E_OK;
}

void plan_clear(struct plan *p)
{
    if (!p) return;
    mem_free(p->slices);
    *p = (struct plan){0};
}
