#include "report/judge.h"

#include <math.h>

#include "base/mem.h"
#include "base/units.h"
#include "check/check.h"
#include "config/config.h"
#include "image/measure_io.h"
#include "plan/plan.h"
#include "plan/slices.h"
#include "report/closing.h"
#include "report/measuring.h"
#include "report/quiet_frames.h"

/* What the stack's own job and bench files say; a stack without them (imported) is judged without. */
static void read_setup(struct judgement *j)
{
    if (!j->info.job_text || !j->info.bench_text) return;
    if (job_parse(j->info.job_text, "job", &j->job, NULL)) return;
    if (bench_parse(j->info.bench_text, "bench", &j->bench, NULL))
        job_clear(&j->job);
    else
        j->setup_known = true;
    j->plan_known = j->setup_known && !plan_make(&j->bench, &j->job, &j->plan, NULL, NULL);
}

/* Size of what is in focus, relative to the first frame, as the entrance pupil comes nearer to it: from slice
 * to slice by (d + step) / d, d being the distance of the plane of focus. False where that is not known. */
static bool plan_scale(const struct judgement *j, double *scale)
{
    const double distance_nm = j->plan_known ? j->plan.optics.view_distance_mm * NM_PER_MM : 0;
    if (distance_nm <= 0 || j->rows[0].target_nm == STACK_NONE) return false;
    for (int32_t i = 0; i < j->frames; i++) {
        if (j->rows[i].target_nm == STACK_NONE) return false;
        scale[i] = exp((double)(j->rows[i].target_nm - j->rows[0].target_nm) / distance_nm);
    }
    return true;
}

static int bring(void *arg, int32_t frame, struct frame_measure *out, struct err *why)
{
    const struct judgement *j = arg;
    return measuring_bring(j->store, j->rows, frame, out, why);
}

struct measure_source judge_source(const struct judgement *j)
{
    return (struct measure_source){bring, (void *)(uintptr_t)j};
}

/* Where the axis stood, or was sent where that was not told; false where neither is known of a frame. */
static bool axis_places(const struct judgement *j, int64_t *place_nm)
{
    int64_t num, den;
    if (!j->setup_known) return false;
    slices_count_length(&j->bench.axis, &num, &den);
    for (int32_t i = 0; i < j->frames; i++) {
        const struct frame_row *r = &j->rows[i];
        place_nm[i] =
            r->reached_counts != STACK_NONE ? slices_nm_of(r->reached_counts, num, den) : r->target_nm;
        if (place_nm[i] == STACK_NONE) return false;
    }
    return true;
}

/* What check needs, gathered; `of` points into it. */
struct question {
    struct check_input of;
    const struct frame_measure **measures;
    double *scale;
    int64_t *place_nm;
};

static void question_clear(struct question *q)
{
    mem_free(q->measures);
    mem_free(q->scale);
    mem_free(q->place_nm);
}

static int ask(const struct judgement *j, struct question *q, struct err *why)
{
    q->measures = mem_new((size_t)j->frames, sizeof(void *), why);
    q->scale = q->measures ? mem_new((size_t)j->frames, sizeof *q->scale, why) : NULL;
    q->place_nm = q->scale ? mem_new((size_t)j->frames, sizeof *q->place_nm, why) : NULL;
    if (!q->place_nm) return E_NOMEM;
    for (int32_t i = 0; i < j->frames; i++)
        q->measures[i] = &j->measures[i];
    q->of = (struct check_input){.frames = j->frames,
                                 .rows = j->rows,
                                 .measures = q->measures,
                                 .order = j->info.order,
                                 .source = judge_source(j)};
    if (plan_scale(j, q->scale)) q->of.planned_scale = q->scale;
    if (axis_places(j, q->place_nm)) q->of.place_nm = q->place_nm;
    if (j->plan_known && j->plan.spacing_nm > 0)
        q->of.dof_slices = j->plan.optics.dof_um / um_from_nm(j->plan.spacing_nm);
    if (j->setup_known) q->of.region = j->job.region;
    return E_OK;
}

static int check(struct judgement *j, const struct judge_opts *opts, struct err *why)
{
    const struct measuring_opts how = {.threads = opts->threads,
                                       .files_may_be_away = opts->files_may_be_away};
    struct question q = {0};
    struct quiet_frames quiet = {0};
    struct closing closing = {0};
    int rc = quiet_frames_new(j->store, &how, &quiet, why);
    if (!rc) rc = closing_find(j->store, &j->rows[0], &how, &closing, why);
    if (!rc) rc = ask(j, &q, why);
    q.of.quiet = quiet.list;
    q.of.quiet_count = quiet.count;
    if (closing.found) q.of.closing = &closing.frame;
    j->measured_now += quiet.measured_now + closing.measured_now;
    if (opts->region_given) q.of.region = opts->region;
    if (!rc) rc = check_stack(&q.of, &j->verdict, why);
    question_clear(&q);
    quiet_frames_clear(&quiet);
    return rc;
}

int judge_where(const struct judgement *j, struct where_map *out, struct err *why)
{
    struct question q = {0};
    int rc = ask(j, &q, why);
    if (!rc) rc = where_new(&q.of, out, why);
    question_clear(&q);
    return rc;
}

static int no_frame(struct store *store, struct err *why)
{
    int32_t on_card = 0;
    int rc = store_count_on_card(store, &on_card, why);
    if (rc) return rc;
    if (!on_card) return fail(why, E_INPUT, "%s: holds no frame yet; shoot or import some", store_dir(store));
    return fail(why, E_INPUT,
                "%s: its %d frame%s still on the camera's card; bring them with 'staddle import --pair %s "
                "CARDFOLDER'",
                store_dir(store), (int)on_card, on_card > 1 ? "s are" : " is", store_dir(store));
}

static int measure(struct store *store, const struct judge_opts *opts, struct judgement *j, struct err *why)
{
    const struct measuring_opts how = {.threads = opts->threads,
                                       .files_may_be_away = opts->files_may_be_away};
    return measuring_run(store, j->rows, j->frames, &how, j->measures, &j->measured_now, why);
}

int judge_stack(struct store *store, const struct judge_opts *opts, struct judgement *out, struct err *why)
{
    struct judgement j = {.store = store};
    int rc = store_info(store, &j.info, why);
    if (rc) return rc;
    rc = store_frames(store, &j.rows, &j.frames, why);
    if (!rc && j.frames == 0) rc = no_frame(store, why);
    if (!rc) read_setup(&j);
    if (!rc && !(j.measures = mem_new((size_t)j.frames, sizeof *j.measures, why))) rc = E_NOMEM;
    if (!rc) rc = measure(store, opts, &j, why);
    if (!rc) rc = check(&j, opts, why);
    mem_give_back();
    if (rc) {
        judgement_clear(&j);
        return rc;
    }
    *out = j;
    return E_OK;
}

void judgement_clear(struct judgement *j)
{
    if (!j) return;
    for (int32_t i = 0; j->measures && i < j->frames; i++)
        frame_measure_clear(&j->measures[i]);
    mem_free(j->measures);
    mem_free(j->rows);
    stack_info_clear(&j->info);
    if (j->setup_known) {
        job_clear(&j->job);
        bench_clear(&j->bench);
    }
    if (j->plan_known) plan_clear(&j->plan);
    verdict_clear(&j->verdict);
    *j = (struct judgement){0};
}
