#include "run/stage.h"

#include <pthread.h>
#include <string.h>
#include <unistd.h>

#include "base/mem.h"
#include "device/backends.h"
#include "device/usb_watch.h"
#include "plan/timeline.h"
#include "run/wishes.h"

#define COMMIT_US    5000
#define MEASURE_US   250000
#define WORKERS_MOST 8

/* Measuring spaces that no thread uses at the moment. */
struct spaces {
    pthread_mutex_t lock;
    struct measure_space *idle[WORKERS_MOST];
    int count;
};

static int64_t or_default(int64_t given, int64_t usual)
{
    return given == 0 ? usual : given < 0 ? 0 : given;
}

static void on_axis(void *arg)
{
    ((struct rig *)arg)->axis_noticed = true;
}

static void on_camera(void *arg)
{
    ((struct rig *)arg)->camera_noticed = true;
}

static void on_wish(void *arg)
{
    (void)arg;
    wishes_drain();
}

static int open_devices(struct rig *r, const struct rig_opts *o, const struct camera_backend *camera,
                        const struct axis_backend *axis, struct err *why)
{
    const struct timeline_motion motion = timeline_motion(o->bench);
    struct backend_env *env = &r->stage->env;
    *env = (struct backend_env){.sched = r->sched,
                                .bench = &r->stage->bench,
                                .camera_sim = &r->stage->camera,
                                .controller = r->stage->controller,
                                .link_latency_us = o->times.link_us,
                                .wrap_link = o->wrap_link,
                                .wrap_arg = o->wrap_arg,
                                .speed_counts_per_s = motion.speed_counts_per_s,
                                .accel_counts_per_s2 = motion.accel_counts_per_s2,
                                .start_counts_per_s =
                                    o->bench->axis.start_nm_per_s ? motion.start_counts_per_s : 0,
                                .smooth_ms = motion.smooth_ms,
                                .person = &r->stage->person,
                                .eyes = o->eyes,
                                .take_up_counts = stage_counts(o->plan, o->plan->travel.take_up_nm)};
    const bool last = camera && camera->over_axis;
    int rc = camera && !last ? camera->open(env, &env->camera, why) : E_OK;
    if (o->no_camera)
        r->stage->lens_camera = env->camera;
    else
        r->camera = env->camera;
    env->asks_surely = camera && !o->no_camera;
    env->frame_answers = r->camera && camera_caps(r->camera) & CAMERA_OTHERS_FIRE;
    if (!rc && axis) rc = axis->open(env, &r->axis, why);
    env->axis = r->axis;
    if (!rc && last) rc = camera->open(env, &r->camera, why);
    if (rc) return rc;
    if (r->camera && o->wrap_camera) r->camera = o->wrap_camera(o->wrap_arg, r->camera);
    if (r->axis && o->wrap_axis) r->axis = o->wrap_axis(o->wrap_arg, r->axis);
    if (r->camera) {
        r->camera->notice = on_camera;
        r->camera->notice_arg = r;
    }
    if (!r->axis) return E_OK;
    r->axis->notice = on_axis;
    r->axis->notice_arg = r;
    r->axis_noticed = true; /* the loop looks once by itself */
    return E_OK;
}

struct measure_space *bench_take_space(struct rig *r, struct err *why)
{
    struct measure_space *m = NULL;
    pthread_mutex_lock(&r->spaces->lock);
    if (r->spaces->count) m = r->spaces->idle[--r->spaces->count];
    pthread_mutex_unlock(&r->spaces->lock);
    return m ? m : measure_space_new(why);
}

void bench_give_space(struct rig *r, struct measure_space *m)
{
    pthread_mutex_lock(&r->spaces->lock);
    if (m && r->spaces->count < WORKERS_MOST) {
        r->spaces->idle[r->spaces->count++] = m;
        m = NULL;
    }
    pthread_mutex_unlock(&r->spaces->lock);
    measure_space_free(m);
}

static void free_spaces(struct spaces *s)
{
    if (!s) return;
    while (s->count)
        measure_space_free(s->idle[--s->count]);
    pthread_mutex_destroy(&s->lock);
    mem_free(s);
}

static int open_threads(struct rig *r, struct err *why)
{
    r->spaces = mem_new(1, sizeof *r->spaces, why);
    if (!r->spaces) return E_NOMEM;
    pthread_mutex_init(&r->spaces->lock, NULL);
    r->disk = pool_new(r->sched, 1, why);
    r->measurers = r->disk ? pool_new(r->sched, r->workers, why) : NULL;
    if (!r->measurers) return why && why->code ? why->code : E_NOMEM;
    if (sched_is_virtual(r->sched) || wishes_fd() < 0) return E_OK;
    return sched_watch(r->sched, wishes_fd(), on_wish, NULL, why);
}

void bench_plug(struct rig *r, bool arrived, const char *path)
{
    if (arrived)
        r->plugged = true;
    else if (r->camera_path[0] && !strcmp(path, r->camera_path))
        r->pulled = true;
}

static void on_plug(void *arg, bool arrived, const char *path)
{
    bench_plug(arg, arrived, path);
}

/* A machine without USB is watched for nothing: no news, and no fault. */
static void watch_usb(struct rig *r, const struct rig_opts *o)
{
    struct err why;
    if (o->virtual_clock || usb_watch_new(r->sched, on_plug, r, &r->usb, &why)) return;
    if (!strcmp(o->bench->camera.kind, "tethered")) usb_camera_path(o->bench->camera.port, r->camera_path);
}

static int choose_workers(int wanted)
{
    long cores = wanted > 0 ? wanted : sysconf(_SC_NPROCESSORS_ONLN);
    return cores < 1 ? 1 : cores > WORKERS_MOST ? WORKERS_MOST : (int)cores;
}

int bench_open(const struct rig_opts *o, struct rig **out, struct err *why)
{
    const struct camera_backend *camera = NULL;
    const struct axis_backend *axis = NULL;
    int rc = E_OK;
    const bool played = o->virtual_clock && !o->eyes && !o->bench->camera.by_cable;
    if (!o->no_camera || o->bench->axis.by_lens)
        rc = backend_camera(played ? "simulated" : o->bench->camera.kind, &camera, why);
    if (!rc && !o->no_axis) rc = backend_axis(o->bench->axis.kind, &axis, why);
    if (rc) return rc;
    struct rig *r = mem_new(1, sizeof *r, why);
    if (!r) return E_NOMEM;
    r->last_done = &r->first_done;
    r->workers = choose_workers(o->workers);
    r->commit_us = or_default(o->times.commit_us, COMMIT_US);
    r->measure_us = or_default(o->times.measure_us, MEASURE_US);
    r->sched = o->virtual_clock ? sched_new_virtual(why) : sched_new_real(why);
    if (r->sched && o->virtual_clock) sched_step(r->sched, o->start_us);
    if (r->sched && o->pass) sched_pass_with(r->sched, o->pass, o->wrap_arg);
    rc = r->sched ? stage_build(r, o, why) : E_NOMEM;
    if (!rc) rc = open_threads(r, why);
    if (!rc) rc = open_devices(r, o, camera, axis, why);
    if (rc) {
        bench_close(r);
        return rc;
    }
    watch_usb(r, o);
    *out = r;
    return E_OK;
}

void bench_close(struct rig *r)
{
    if (!r) return;
    usb_watch_free(r->usb);
    const bool first = r->camera && camera_caps(r->camera) & CAMERA_OVER_AXIS;
    if (first) camera_close(r->camera);
    if (r->axis) axis_close(r->axis);
    if (r->camera && !first) camera_close(r->camera);
    if (r->stage) camera_close(r->stage->lens_camera);
    pool_free(r->measurers);
    pool_free(r->disk);
    for (struct work *w = r->out, *next; w; w = next) {
        next = w->next_out;
        work_free(w);
    }
    free_spaces(r->spaces);
    stage_free(r->stage);
    world_free(r->world);
    sched_free(r->sched);
    mem_free(r);
}

void bench_wish(struct rig *r)
{
    r->wishes++;
}

int bench_wishes(const struct rig *r)
{
    return r->wishes + wishes_count();
}

static bool take_wish(struct rig *r, struct rig_event *out)
{
    int wishes = bench_wishes(r);
    if (wishes <= r->wishes_seen) return false;
    r->wishes_seen = out->wishes = wishes;
    out->kind = RIG_WISH;
    return true;
}

static bool take_camera(struct rig *r, struct rig_event *out)
{
    if (!r->camera_noticed) return false;
    out->kind = RIG_CAMERA;
    struct err why = {0};
    if (camera_next_event(r->camera, &out->camera, &why)) {
        out->camera = (struct camera_event){.kind = CAMERA_GONE, .why = why};
        r->camera_noticed = false;
        return true;
    }
    r->camera_noticed = out->camera.kind != CAMERA_NOTHING;
    return r->camera_noticed;
}

static bool take_plug(struct rig *r, struct rig_event *out)
{
    bool *news = r->pulled ? &r->pulled : &r->plugged;
    if (!*news) return false;
    out->kind = r->pulled ? RIG_PULLED : RIG_PLUGGED;
    *news = false;
    return true;
}

static bool take_work(struct rig *r, struct rig_event *out)
{
    struct work *w = r->first_done;
    if (!w) return false;
    r->first_done = w->next;
    if (!r->first_done) r->last_done = &r->first_done;
    struct work **at = &r->out;
    while (*at != w)
        at = &(*at)->next_out;
    *at = w->next_out;
    out->kind = RIG_WORK;
    out->work = w;
    return true;
}

void bench_wait(struct rig *r, int64_t deadline_us, struct rig_event *out)
{
    for (;;) {
        memset(out, 0, sizeof *out);
        if (take_wish(r, out) || take_plug(r, out)) return;
        if (r->axis_noticed) {
            r->axis_noticed = false;
            out->kind = RIG_AXIS;
            return;
        }
        if (take_camera(r, out) || take_work(r, out)) return;
        if (!sched_step(r->sched, deadline_us)) {
            out->kind = RIG_DEADLINE;
            return;
        }
    }
}

static void run_work(void *arg)
{
    struct work *w = arg;
    w->run(w);
}

static void work_done(void *arg)
{
    struct work *w = arg;
    w->next = NULL;
    *w->rig->last_done = w;
    w->rig->last_done = &w->next;
}

int bench_submit(struct rig *r, struct pool *pool, struct work *w, int64_t cost_us, struct err *why)
{
    w->rig = r;
    int rc = pool_submit(pool, run_work, work_done, w, cost_us, why);
    if (rc) return rc;
    w->next_out = r->out;
    r->out = w;
    return E_OK;
}

void work_free(struct work *w)
{
    if (!w) return;
    if (w->free)
        w->free(w);
    else
        mem_free(w);
}

int64_t bench_home_counts(const struct rig *r, int64_t counts_after_homing)
{
    return r->stage->switch_counts + counts_after_homing - r->stage->backlash_counts;
}

struct native_rail *bench_controller(const struct rig *r)
{
    return r->stage->controller;
}

struct body *bench_body(const struct rig *r)
{
    return r->stage->body;
}
