#include "run/shoot.h"

#include <stdio.h>
#include <string.h>

#include "base/findings.h"
#include "base/fs.h"
#include "base/mem.h"
#include "config/config.h"
#include "plan/plan.h"
#include "run/control.h"
#include "run/quiet.h"
#include "run/ready_ask.h"
#include "run/resume.h"

#define BETWEEN_US    60000000 /* virtual time from the last thing recorded to the resume; our choice */
#define CLOCK_VIRTUAL "virtual clock"
#define CLOCK_REAL    "real clock"

static int make_plan(struct shoot_job *s, struct err *why)
{
    int rc = plan_make(&s->bench, &s->job, &s->plan, &s->findings, why);
    if (rc) return rc;
    s->job.exposure_us = s->plan.timeline.exposure_us; /* the default where the job does not say */
    return E_OK;
}

int shoot_job_read(const char *job_path, const char *bench_override, struct shoot_job *out, struct err *why)
{
    memset(out, 0, sizeof *out);
    int rc = setup_read(job_path, bench_override, &out->job, &out->bench, why);
    if (rc) return rc;
    rc = make_plan(out, why);
    if (rc) shoot_job_clear(out);
    return rc;
}

void shoot_job_clear(struct shoot_job *s)
{
    findings_clear(&s->findings);
    plan_clear(&s->plan);
    job_clear(&s->job);
    bench_clear(&s->bench);
}

static int open_rig(const struct shoot_job *s, const struct shoot_opts *o, uint64_t seed, bool virtual_clock,
                    int64_t start_us, struct rig **out, struct err *why)
{
    struct rig_opts r = o->rig;
    r.bench = &s->bench;
    r.job = &s->job;
    r.plan = &s->plan;
    r.seed = seed;
    r.virtual_clock = virtual_clock;
    r.workers = o->workers;
    r.quiet_world = o->quiet_world;
    r.start_us = start_us;
    char card[PATH_ROOM + sizeof SHOOT_CARD];
    snprintf(card, sizeof card, "%s%s", o->dir, SHOOT_CARD);
    if (!r.card) r.card = card;
    return bench_open(&r, out, why);
}

/* Progress goes to the caller and to whoever asks at the control socket. */
struct told_twice {
    struct control *control;
    const struct shoot_opts *opts;
    int32_t slices;
};

static void tell_both(void *arg, const struct run_progress *p)
{
    const struct told_twice *t = arg;
    control_tell(t->control, p);
    if (t->opts->progress) t->opts->progress(t->opts->progress_arg, p);
}

static void tell_quiet(void *arg, const char *doing, int64_t left_us)
{
    const struct told_twice *t = arg;
    tell_both(arg, &(struct run_progress){.doing = doing,
                                          .quiet = true,
                                          .kept = t->slices,
                                          .total = t->slices,
                                          .eta_us = left_us,
                                          .finding = "",
                                          .news = true});
}

/* The stack is whole without it. */
static void take_quiet(const struct shoot_job *s, struct rig *rig, struct store *store,
                       struct told_twice *told, struct run_result *out)
{
    struct err why;
    const struct quiet_teller tell = {tell_quiet, told};
    const int64_t begun_us = sched_now_us(rig->sched);
    const int rc = quiet_take(s, rig, store, &tell, &why);
    out->duration_us += sched_now_us(rig->sched) - begun_us;
    if (rc)
        finding_add(
            &out->findings,
            (struct finding_about){.code = "quiet-frame", .advice = "check says what it can without it"},
            NULL, "the quiet frame was not taken: %s", why.text);
}

/* Shoots what is left of the plan. The rig is closed here: its threads are the last that touch the store. */
static int shoot(const struct shoot_job *s, const struct shoot_opts *o, struct rig *rig, struct store *store,
                 int64_t plan_id, struct run_result *out, struct err *why)
{
    struct told_twice told = {.opts = o, .slices = s->plan.slice_count};
    struct run_opts r = {.rig = rig,
                         .store = store,
                         .bench = &s->bench,
                         .job = &s->job,
                         .plan = &s->plan,
                         .plan_id = plan_id,
                         .no_closing = o->no_closing,
                         .anyway = o->anyway,
                         .progress = tell_both,
                         .progress_arg = &told,
                         .killed = o->killed,
                         .killed_arg = o->killed_arg};
    int rc = store_add_event(store, sched_wall_us(rig->sched), "run", "begun",
                             sched_is_virtual(rig->sched) ? CLOCK_VIRTUAL : CLOCK_REAL, why);
    if (!rc) rc = control_open(rig, store_dir(store), &told.control, why);
    if (!rc) {
        if (o->opened) o->opened(o->arg, rig, store);
        rc = run_stack(&r, out, why);
        if (!rc && s->plan.timeline.quiet) take_quiet(s, rig, store, &told, out);
        if (o->closing) o->closing(o->arg, rig);
    }
    control_close(told.control);
    bench_close(rig);
    return rc;
}

static int create(const struct shoot_job *s, const struct shoot_opts *o, uint64_t seed, int64_t wall_us,
                  bool simulated, struct store **store, int64_t *plan_id, struct err *why)
{
    struct stack_info info = {.kind = STACK_PLANNED,
                              .order = ORDER_NEAR_FIRST,
                              .simulated = simulated,
                              .seed = seed,
                              .bench_text = s->job.bench_text,
                              .job_text = s->job.job_text,
                              .created_wall_us = wall_us};
    snprintf(info.name, sizeof info.name, "%s", s->job.name);
    int rc = store_create(o->dir, &info, store, why);
    if (rc) return rc;
    rc = store_add_plan(*store, &s->plan, "", wall_us, plan_id, why);
    if (rc) store_close(*store);
    return rc;
}

int shoot_new(const struct shoot_job *s, const struct shoot_opts *o, struct run_result *out, struct err *why)
{
    uint64_t seed = o->seed_given ? o->seed : s->job.seed;
    struct rig *rig;
    struct store *store;
    struct finding_list notes = {0};
    int64_t plan_id;
    memset(out, 0, sizeof *out);
    int rc = run_check(&s->bench, &s->job, &s->plan, why);
    if (!rc && fs_exists(o->dir))
        rc = fail(why, E_INPUT, "%s: exists already; name a new folder, or go on with 'staddle resume'",
                  o->dir);
    if (!rc) rc = open_rig(s, o, seed, o->virtual_clock, 0, &rig, why);
    if (rc) return rc;
    const bool simulated = rig->world && !(camera_caps(rig->camera) & CAMERA_OTHERS_FIRE);
    rc = ready_for_stack(rig, s, s->plan.slice_count + !o->no_closing + s->plan.timeline.quiet, o->anyway,
                         &notes, why);
    if (!rc) rc = create(s, o, seed, sched_wall_us(rig->sched), simulated, &store, &plan_id, why);
    if (rc) {
        findings_clear(&notes);
        bench_close(rig);
        return rc;
    }
    rc = shoot(s, o, rig, store, plan_id, out, why);
    store_close(store);
    ready_add_notes(&out->findings, &notes, out->slices > 0, NULL);
    return rc;
}

/* ---- resume */

struct past {
    bool whole, virtual_clock;
    int64_t plan_id, last_wall_us;
    int32_t slices, kept, on_card;
};

static void later(int64_t *at, int64_t other)
{
    if (other != STACK_NONE && other > *at) *at = other;
}

static int read_exposures(struct store *store, struct past *p, bool *closing_kept, struct err *why)
{
    struct exposure_row *rows;
    int32_t count;
    int rc = store_exposures(store, &rows, &count, why);
    if (rc) return rc;
    for (int32_t i = 0; i < count; i++) {
        const struct exposure_row *e = &rows[i];
        later(&p->last_wall_us, e->triggered_at_us);
        const bool on_card = store_on_card(e);
        p->on_card += on_card;
        if (e->state != EXPOSURE_KEPT && !on_card) continue;
        if (e->purpose == PURPOSE_CLOSING) *closing_kept = true;
        if (e->purpose == PURPOSE_STACK) p->kept += e->plan_id == p->plan_id;
    }
    mem_free(rows);
    return E_OK;
}

static int read_plans(struct store *store, struct past *p, struct err *why)
{
    struct plan_row *plans;
    struct slice_row *slices;
    int32_t count;
    int rc = store_plans(store, &plans, &count, why);
    if (rc) return rc;
    for (int32_t i = 0; i < count; i++)
        if (plans[i].source == PLAN_PLANNED) p->plan_id = plans[i].id;
    mem_free(plans);
    if (!p->plan_id) return E_OK; /* it ended before its plan was stored: planned again */
    rc = store_slices(store, p->plan_id, &slices, &p->slices, why);
    if (!rc) mem_free(slices);
    return rc;
}

static int read_clock(struct store *store, struct past *p, struct err *why)
{
    struct event_row *events;
    int32_t count;
    int rc = store_events(store, &events, &count, why);
    if (rc) return rc;
    for (int32_t i = 0; i < count; i++) {
        later(&p->last_wall_us, events[i].at_wall_us);
        if (!strcmp(events[i].kind, "run")) p->virtual_clock = !strcmp(events[i].detail, CLOCK_VIRTUAL);
    }
    mem_free(events);
    return E_OK;
}

static int look_back(struct store *store, bool no_closing, struct past *p, struct err *why)
{
    bool closing_kept = false;
    int rc = read_plans(store, p, why);
    if (!rc) rc = read_clock(store, p, why);
    if (!rc) rc = read_exposures(store, p, &closing_kept, why);
    p->whole = p->slices && p->kept == p->slices && (closing_kept || no_closing);
    return rc;
}

/* The job as it was when the stack was begun: from the stack itself. */
static int job_of_stack(const struct stack_info *info, const char *stack_dir, const char *job_path,
                        struct shoot_job *out, struct err *why)
{
    memset(out, 0, sizeof *out);
    if (!info->job_text || !info->bench_text)
        return fail(why, E_INPUT, "%s: was imported, so it keeps no job to go on with", stack_dir);
    int rc = job_parse(info->job_text, job_path ? job_path : "the stack's job", &out->job, why);
    /* a folder that the bench names is seen from where its file stood */
    const bool there = job_path && out->job.bench_path[0];
    if (!rc)
        rc = bench_parse(info->bench_text, there ? out->job.bench_path : "the stack's bench", &out->bench,
                         why);
    if (!rc) rc = make_plan(out, why);
    if (rc) shoot_job_clear(out);
    return rc;
}

static int plan_of_stack(struct store *store, struct rig *rig, const struct shoot_job *s,
                         const struct past *p, int64_t *plan_id, struct err *why)
{
    *plan_id = p->plan_id;
    return p->plan_id ? E_OK : store_add_plan(store, &s->plan, "", sched_wall_us(rig->sched), plan_id, why);
}

/* Where the job's folder is, no stack knows. */
static int say_where(const struct shoot_job *s, const char *job_path, int rc, struct err *why)
{
    struct err first = *why;
    const bool relative = s->bench.camera.folder[0] && s->bench.camera.folder[0] != '/';
    if (rc != E_INPUT || job_path || !(s->job.scene.picture[0] || relative)) return rc;
    return fail(why, E_INPUT, "%.380s; or say with --job where the job file is", first.text);
}

/* What is left of the earlier run first, then the rest of the plan. Closes the rig. */
static int finish_stack(struct store *store, const struct past *p, const struct shoot_job *s,
                        const struct shoot_opts *o, struct rig *rig, struct run_result *out, struct err *why)
{
    struct resume_counts left = {0};
    int64_t plan_id = 0;
    struct finding_list notes = {0};
    bool ask = o->doubt == DOUBT_BY_JOB ? s->job.ask_in_doubt : o->doubt == DOUBT_ASK;
    int rc = ready_for_stack(rig, s, p->slices - p->kept + 1, o->anyway, &notes, why);
    if (!rc) rc = resume_exposures(rig, store, &s->bench, ask, &left, why);
    if (!rc) rc = plan_of_stack(store, rig, s, p, &plan_id, why);
    if (rc) {
        findings_clear(&notes);
        bench_close(rig);
        return rc;
    }
    rc = shoot(s, o, rig, store, plan_id, out, why);
    ready_add_notes(&out->findings, &notes, out->slices > 0, NULL);
    out->lost += left.lost + left.doubtful;
    out->doubtful = left.doubtful;
    out->recovered = left.adopted + left.fetched;
    return rc;
}

/* Nothing is written before the bench is open. */
static int go_on(struct store *store, const struct past *p, const struct shoot_opts *o,
                 struct run_result *out, struct err *why)
{
    struct stack_info info;
    struct shoot_job s;
    struct rig *rig;
    int rc = store_info(store, &info, why);
    if (rc) return rc;
    rc = job_of_stack(&info, o->dir, o->job_path, &s, why);
    if (!rc) {
        int64_t start_us = p->last_wall_us ? p->last_wall_us - SCHED_VIRTUAL_START_US + BETWEEN_US : 0;
        rc = open_rig(&s, o, info.seed, p->virtual_clock, start_us, &rig, why);
        rc = rc ? say_where(&s, o->job_path, rc, why) : finish_stack(store, p, &s, o, rig, out, why);
        shoot_job_clear(&s);
    }
    stack_info_clear(&info);
    return rc;
}

int shoot_resume(const struct shoot_opts *o, struct run_result *out, bool *already, struct err *why)
{
    struct store *store;
    struct past p = {.virtual_clock = o->virtual_clock};
    memset(out, 0, sizeof *out);
    *already = false;
    int rc = store_open(o->dir, false, &store, why);
    if (rc) return rc;
    rc = look_back(store, o->no_closing, &p, why);
    if (!rc && p.whole) {
        *already = true;
        out->slices = p.slices;
        out->kept = p.kept;
        out->on_card = p.on_card;
    } else if (!rc) {
        rc = go_on(store, &p, o, out, why);
    }
    store_close(store);
    return rc;
}
