#include "run/calibrate.h"

#include <math.h>
#include <stdio.h>

#include "base/mem.h"
#include "base/units.h"
#include "run/calibrate_part.h"

#define FRAMES     CALIBRATE_FRAMES
#define TAKE_STEPS 10      /* beyond a sweep's beginning, so that the play is taken up; and at least: */
#define TAKE_NM    300000  /* more than the play of any screw that is worth calibrating; our choice */
#define WAY_NM     3000000 /* beyond the sweeps, as far as the limits let it; our choice */
#define SEEN_SHARE 0.04    /* of a step: so well a sweep can be read between two of its frames (by trying) */
#define SETTLE_US  1000000 /* where the job does not say; our choice */
#define TOKEN_BITS ((UINT64_C(1) << CAMERA_TOKEN_OWN_BITS) - 1)

#define SURE              4 /* sigma; our choice */
#define WAYS_OF_A_LENS    2 /* the longest; our choice */
#define PICTURES_OF_SIZES (FRAMES + 12)

/* ---- one picture, one sweep */

int calibrate_wait(struct calibrating *c, struct err *why)
{
    const int64_t given = c->axis->job.job.settle_us;
    if (axis_session_pass(c->axis, given >= 0 ? given : SETTLE_US))
        return fail(why, E_PAUSED, "stopped by hand");
    return E_OK;
}

static int32_t pictures(const struct calibrating *c)
{
    return 4 * FRAMES + 1 + c->ways_wanted + (c->axis->rig->axis->ops->order ? PICTURES_OF_SIZES : 0);
}

int calibrate_look(struct calibrating *c, struct sweep *s, int32_t i, struct err *why)
{
    struct camera_shot shot;
    struct frame_measure m = {0};
    struct sched *sched = c->axis->rig->sched;
    int rc = calibrate_wait(c, why);
    if (rc) return rc;
    rc = camera_session_shoot(&c->camera, 0, ((uint64_t)sched_wall_us(sched) & TOKEN_BITS) | 1, &shot, why);
    if (rc) return rc;
    rc = measure_frame(c->space, shot.objects[0].name, shot.bytes[0], (size_t)shot.byte_counts[0], NULL, &m,
                       NULL, NULL, why);
    camera_shot_clear(&shot);
    if (rc) return rc;
    if (!s->energy)
        rc = sweep_new(s, FRAMES, m.rows * m.cols, (double)calibrate_at_nm(c, 0), (double)c->step_nm, why);
    if (!rc) rc = sweep_put(s, i, &m, why);
    frame_measure_clear(&m);
    c->done++;
    const int32_t wanted = pictures(c);
    if (!rc && c->o->progress) c->o->progress(c->o->arg, c->done, c->done > wanted ? c->done : wanted);
    return rc;
}

static int drive(struct calibrating *c, struct sweep *s, bool back, struct err *why)
{
    const int64_t take = back ? c->take_nm : -c->take_nm,
                  before = calibrate_at_nm(c, back ? FRAMES - 1 : 0) + take;
    int rc = c->done ? calibrate_creep(c, before, why) : axis_session_go(c->axis, before, why);
    if (!rc) rc = calibrate_creep(c, before - take, why);
    for (int32_t k = 0; k < FRAMES && !rc; k++) {
        const int32_t i = back ? FRAMES - 1 - k : k;
        rc = axis_session_go(c->axis, calibrate_at_nm(c, i), why);
        if (!rc) rc = calibrate_look(c, s, i, why);
    }
    return rc;
}

/* ---- where it goes */

static int find_middle(struct calibrating *c, int64_t *middle, struct err *why)
{
    struct axis_session *s = c->axis;
    const struct job *j = &s->job.job;
    if (s->rig->axis->ops->caps & AXIS_BY_PICTURE) { /* it begins where it is focused */
        int rc = axis_session_here(s, 0, why);
        *middle = 0;
        return rc;
    }
    int rc = axis_session_need_position(s, why);
    if (rc) return rc;
    *middle = c->o->at_given                 ? c->o->at_nm
              : j->depth_kind == DEPTH_MARKS ? (j->near_nm + j->far_nm) / 2
                                             : axis_session_nm(s, s->state.position_counts);
    return E_OK;
}

static int choose(struct calibrating *c, struct err *why)
{
    struct axis_session *s = c->axis;
    int64_t middle;
    const int64_t count_nm = axis_session_nm(s, 1) > 0 ? axis_session_nm(s, 1) : 1;
    const int64_t wanted = (int64_t)(s->job.plan.optics.dof_um * 1000 / 4);
    int rc = find_middle(c, &middle, why);
    if (rc) return rc;
    c->step_nm = wanted < 2 * count_nm ? 2 * count_nm : axis_session_nm(s, axis_session_counts(s, wanted));
    c->take_nm = TAKE_STEPS * c->step_nm > TAKE_NM ? TAKE_STEPS * c->step_nm : TAKE_NM;
    c->from_nm = axis_session_nm(s, axis_session_counts(s, middle - FRAMES / 2 * c->step_nm));
    rc = axis_session_check(s, calibrate_at_nm(c, 0) - c->take_nm, why);
    if (!rc) rc = axis_session_check(s, calibrate_at_nm(c, FRAMES - 1) + c->take_nm, why);
    if (rc) return rc;
    for (c->way_nm = WAY_NM; c->way_nm > c->take_nm; c->way_nm /= 2)
        if (!axis_session_check(s, calibrate_at_nm(c, 0) - c->way_nm, NULL) &&
            !axis_session_check(s, calibrate_at_nm(c, FRAMES) + c->way_nm, NULL))
            return E_OK;
    c->way_nm = c->take_nm;
    return E_OK;
}

static void tell(const struct calibrating *c)
{
    char sentence[256];
    if (!c->axis->tell) return;
    snprintf(
        sentence, sizeof sentence,
        "the axis moves forth and back between %.3f and %.3f mm, and %d pictures are taken; keep fingers and "
        "cables clear; Ctrl-C halts",
        mm_from_nm(calibrate_at_nm(c, 0) - c->way_nm), mm_from_nm(calibrate_at_nm(c, FRAMES) + c->way_nm),
        pictures(c));
    c->axis->tell(c->axis->arg, sentence);
}

static int drive_all(struct calibrating *c, struct err *why)
{
    void (*told)(void *, const char *) = c->axis->tell;
    tell(c);
    c->axis->tell = NULL; /* once for all of its moves */
    int rc = calibrate_sizes(c, why);
    if (!rc) rc = drive(c, &c->sweeps[0], false, why);
    if (!rc) rc = drive(c, &c->sweeps[1], true, why);
    if (!rc) rc = calibrate_ways(c, why);
    const bool blind = c->way_count < c->ways_wanted || !c->ways[c->ways_wanted - 1].seen;
    if (!rc && !blind) rc = drive(c, &c->sweeps[2], false, why);
    if (!rc && !blind) rc = drive(c, &c->sweeps[3], true, why);
    c->axis->tell = told;
    return rc;
}

/* ---- what it says */

/* Two measurements of the same, with the larger of what each says and what they differ by. */
static void both(const struct sweep_again *a, const struct sweep_again *b, double *out, double *sigma)
{
    *out = -(a->shift + b->shift) / 2;
    *sigma = fmax(hypot(a->uncertainty, b->uncertainty) / 2, fabs(a->shift - b->shift) / 2);
}

/* Nothing is counted finer than by the smallest move, nor seen finer than by a share of the step. */
static double least_nm(const struct calibrating *c)
{
    return hypot((double)axis_session_nm(c->axis, 1) / sqrt(12), SEEN_SHARE * (double)c->step_nm);
}

static int hold_against(const struct sweep *a, const struct sweep *b, struct sweep_again *out,
                        struct err *why)
{
    int rc = sweep_again(a, b, out, why);
    if (!rc && out->pictures < SWEEP_PICTURES_LEAST)
        rc =
            fail(why, E_INPUT,
                 "only %d pictures on the way back show what was in focus on the way forth; is the play more "
                 "than %.1f mm, or did somebody move the set?",
                 (int)out->pictures, mm_from_nm(llround(fabs(a->step) * FRAMES / 2)));
    return rc;
}

/* The sweeps after the ways against those before them. */
static int judge_again(const struct calibrating *c, const struct sweep_again *first, struct calibration *r,
                       struct err *why)
{
    struct sweep_again play, lost[2];
    const struct sweep *s = c->sweeps;
    int rc = hold_against(&s[2], &s[3], &play, why);
    if (!rc) rc = hold_against(&s[0], &s[2], &lost[0], why);
    if (!rc) rc = hold_against(&s[1], &s[3], &lost[1], why);
    if (rc) return rc;
    both(first, &play, &r->backlash_nm, &r->backlash_uncertainty_nm);
    both(&lost[0], &lost[1], &r->lost_nm, &r->lost_uncertainty_nm);
    r->lost_nm -= c->corrected_nm;
    r->repeat_nm = lost[0].repeat;
    r->repeat_uncertainty_nm = lost[0].repeat_uncertainty;
    return E_OK;
}

static void judge_ways(const struct calibrating *c, struct calibration *r)
{
    const double least = hypot(least_nm(c), isnan(r->repeat_nm) ? 0 : sqrt(2) * r->repeat_nm);
    r->way_count = c->way_count;
    r->before_nm = c->before_nm;
    r->lost_before = fabs(r->before_nm) > SURE * least;
    for (int32_t i = 0; i < c->way_count; i++) {
        struct calibration_way *w = &r->ways[i];
        *w = c->ways[i];
        w->uncertainty_nm = hypot(w->uncertainty_nm, least);
        w->lost = !w->seen || fabs(w->short_nm) > SURE * w->uncertainty_nm;
    }
}

/* Places are found where the axis counts them: driven back, each stands deeper than counted by the play, so
 * it comes into focus at a lower count. */
static int judge(const struct calibrating *c, struct calibration *out, struct err *why)
{
    struct sweep_shift places;
    struct sweep_again play;
    int rc = sweep_compare(&c->sweeps[0], &c->sweeps[1], &places, why);
    if (!rc) rc = hold_against(&c->sweeps[0], &c->sweeps[1], &play, why);
    if (rc) return rc;
    struct calibration r = {.sizes = c->sizes,
                            .from_nm = calibrate_at_nm(c, 0),
                            .to_nm = calibrate_at_nm(c, FRAMES - 1),
                            .step_nm = c->step_nm,
                            .frames = c->done,
                            .places = places.places,
                            .backlash_nm = -play.shift,
                            .backlash_uncertainty_nm = play.uncertainty,
                            .lost_nm = NAN,
                            .lost_uncertainty_nm = NAN,
                            .repeat_nm = NAN,
                            .repeat_uncertainty_nm = NAN,
                            .focus_width_nm = places.width};
    if (c->sweeps[3].energy) rc = judge_again(c, &play, &r, why);
    if (rc) return rc;
    r.backlash_uncertainty_nm = hypot(r.backlash_uncertainty_nm, least_nm(c));
    r.lost_uncertainty_nm = hypot(r.lost_uncertainty_nm, least_nm(c));
    judge_ways(c, &r);
    *out = r;
    return E_OK;
}

int calibrate_axis(struct axis_session *s, const struct calibrate_opts *o, struct calibration *out,
                   struct err *why)
{
    struct calibrating c = {.axis = s, .camera = {.rig = s->rig, .job = s->job}, .o = o, .before_nm = NAN};
    if (s->rig->axis->ops->caps & AXIS_WAITS_FOR_PERSON)
        return fail(why, E_UNSUPPORTED, "a knob is not calibrated by pictures; read its scale");
    c.ways_wanted = s->rig->axis->ops->caps & AXIS_BY_PICTURE ? WAYS_OF_A_LENS : CALIBRATE_WAYS;
    c.space = measure_space_new(why);
    int rc = c.space ? choose(&c, why) : E_NOMEM;
    if (!rc) rc = drive_all(&c, why);
    if (!rc) rc = judge(&c, out, why);
    for (int i = 0; i < 4; i++)
        sweep_clear(&c.sweeps[i]);
    measure_space_free(c.space);
    return rc;
}
