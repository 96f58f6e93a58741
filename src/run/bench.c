#include "run/bench.h"

#include <math.h>
#include <pthread.h>
#include <string.h>
#include <unistd.h>

#include "base/mem.h"
#include "base/units.h"
#include "config/config.h"
#include "device/axis_hand.h"
#include "device/backends.h"
#include "device/usb_watch.h"
#include "plan/slices.h"
#include "plan/timeline.h"
#include "run/wishes.h"
#include "sim/world_port.h"
#include "staddle/wire.h"

#define COMMIT_US    5000
#define MEASURE_US   250000
#define WORKERS_MOST 8
#define SPARE_NM     1000000 /* of travel between the outermost slice and the end switch; our choice */
#define TURN_US      4000000 /* how long a played person turns a knob; our choice */
#define PARKED_NM    300000  /* where the carriage stands at first, from the near switch; our choice */

/* What stands behind the devices of a simulated bench. */
struct stage {
    struct native_rail *controller; /* NULL: a virtual rail in another process, which knocks at the port */
    struct body *body;              /* behind the controller's shutter contacts; NULL: none */
    struct world_port *port;
    struct bench bench; /* as given, with the world in place of every device that is not there */
    struct camera_sim_opts camera;
    struct backend_env env; /* what the devices were opened with, and may be again */
    int64_t switch_counts, backlash_counts;
    int64_t num, den;           /* nanometres a count */
    const struct person *given; /* the person at this bench; NULL: nobody */
    struct person person;       /* between that one and the devices: moves the world along */
    struct camera *lens_camera; /* opened for its lens alone: the rig has none */
    struct axis *knob;          /* that a played person is turning */
    sched_id turning;
};

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

static void on_edge(void *arg, int64_t at_ns, int dir)
{
    world_step(((struct rig *)arg)->world, at_ns, dir);
}

static void on_switches(void *arg, bool *near_pressed, bool *far_pressed)
{
    world_switches(((struct rig *)arg)->world, near_pressed, far_pressed);
}

static void on_outputs(void *arg, unsigned outputs)
{
    struct body *b = ((struct rig *)arg)->stage->body;
    if (b) body_contacts(b, outputs & WIRE_HALF_PRESSED, outputs & WIRE_FULL_PRESSED);
}

static void on_wish(void *arg)
{
    (void)arg;
    wishes_drain();
}

static int64_t counts_from_nm(const struct plan *p, int64_t nm)
{
    return slices_counts_of(nm, p->nm_per_count_num, p->nm_per_count_den);
}

/* The world: switches a little beyond the travel that the plan needs, the carriage at rest near the first. */
static int build_world(struct rig *r, const struct rig_opts *o, struct err *why)
{
    const struct plan *p = o->plan;
    struct scene_spec scene = o->job->scene;
    if (!origin_line(&o->job->origins, "scene.near_mm")) scene.near_nm = p->near_nm;
    if (scene.ruler && r->stage->bench.axis.by_lens) /* it is focused on the middle, and knows no place */
        scene.near_nm -=
            llround((double)r->stage->bench.camera.sensor_width_nm / p->optics.magnification / 2);
    r->world = world_new(&(struct world_opts){.bench = &r->stage->bench,
                                              .scene = &scene,
                                              .magnification = p->optics.magnification,
                                              .exposure_us = o->job->exposure_us,
                                              .seed = o->seed,
                                              .quiet = o->quiet_world,
                                              .scene_later = o->scene_later},
                         why);
    if (!r->world) return why && why->code ? why->code : E_NOMEM;
    r->stage->switch_counts = counts_from_nm(p, p->travel.first_nm - p->travel.take_up_nm - SPARE_NM);
    int64_t near_switch_nm = slices_nm_of(r->stage->switch_counts, p->nm_per_count_num, p->nm_per_count_den);
    world_set_travel(r->world, near_switch_nm, p->travel.last_nm + SPARE_NM);
    if (r->stage->bench.axis.by_lens) return E_OK; /* the camera moves it */
    /* a camera that is asked alone sees what was focused by eye */
    world_place(r->world, o->no_axis ? p->near_nm : near_switch_nm + PARKED_NM);
    return E_OK;
}

/* ---- the person */

static void on_tell(void *arg, const char *sentence)
{
    const struct person *p = ((struct rig *)arg)->stage->given;
    if (p && p->tell) p->tell(p->arg, sentence);
}

static void on_turn_done(void *arg)
{
    struct stage *s = ((struct rig *)arg)->stage;
    s->turning = 0;
    axis_hand_done(s->knob);
}

static void on_asked(void *arg, struct axis *knob, int64_t target_counts)
{
    struct rig *r = arg;
    struct stage *s = r->stage;
    if (s->given && s->given->asked) {
        s->given->asked(s->given->arg, knob, target_counts);
        return;
    }
    s->knob = knob;
    if (s->turning) sched_cancel(r->sched, s->turning);
    s->turning = sched_at(r->sched, sched_now_us(r->sched) + TURN_US, on_turn_done, r);
}

static void on_turned(void *arg, int64_t position_counts)
{
    struct rig *r = arg;
    const struct stage *s = r->stage;
    if (r->world) world_place(r->world, slices_nm_of(position_counts, s->num, s->den));
    if (s->given && s->given->turned) s->given->turned(s->given->arg, position_counts);
}

static void place_person(struct rig *r, const struct rig_opts *o)
{
    struct stage *s = r->stage;
    const bool played = o->virtual_clock || (o->person && o->person->asked);
    s->given = o->person;
    s->num = o->plan->nm_per_count_num;
    s->den = o->plan->nm_per_count_den;
    s->person = (struct person){.tell = on_tell,
                                .key_fd = o->person ? o->person->key_fd : -1,
                                .asked = played ? on_asked : NULL,
                                .turned = on_turned,
                                .arg = r};
}

/* What hangs on the shutter contacts, with the job's exposure on its dial. */
static int build_body(struct rig *r, const struct rig_opts *o, struct err *why)
{
    const struct camera_spec *c = &o->bench->camera;
    const int64_t us = o->job->exposure_us;
    if (!c->by_cable || o->no_camera) return E_OK;
    r->stage->body = body_new(&(struct body_opts){.sched = r->sched,
                                                  .world = r->world,
                                                  .seed = o->seed,
                                                  .lag_us = c->shutter_lag_us,
                                                  .busy_us = c->busy_us,
                                                  .exposure_us = us,
                                                  .bulb = c->bulb_from_us && us >= c->bulb_from_us,
                                                  .mirror_up = c->mirror_up_us > 0,
                                                  .flash = o->bench->light.kind == LIGHT_FLASH,
                                                  .card = o->card,
                                                  .clock = o->card_clock,
                                                  .focal_length_nm = o->bench->lens.focal_length_nm,
                                                  .threads = r->workers},
                              why);
    return r->stage->body ? E_OK : E_NOMEM;
}

/* What moves the world, if nobody does by hand: the controller in this process, or one in another that tells
 * its edges. */
static int build_mover(struct rig *r, const struct rig_opts *o, struct err *why)
{
    struct stage *s = r->stage;
    if (s->bench.axis.by_hand) return E_OK; /* the person does */
    if (s->bench.axis.by_lens) return E_OK; /* the camera does */
    if (strcmp(s->bench.axis.link, "simulated") != 0) {
        const struct world_port_user user = world_port_of(r->world);
        if (s->bench.axis.world[0])
            return world_port_open(r->sched, s->bench.axis.world, &user, &s->port, why);
        return fail(
            why, E_INPUT,
            "axis.link %s: a simulated camera sees nothing of that rail; start staddle-virtual-rail with "
            "--world PATH, and give the same PATH as axis.world",
            s->bench.axis.link);
    }
    s->controller = native_rail_new(
        r->sched,
        &(struct native_rail_opts){
            .arg = r, .edge = on_edge, .switches = on_switches, .outputs = on_outputs, .seed = o->seed},
        why);
    if (!s->controller) return why && why->code ? why->code : E_NOMEM;
    return build_body(r, o, why);
}

/* Is any device of this bench a simulated one? */
static bool needs_world(const struct rig_opts *o)
{
    const struct bench *b = o->bench;
    if (o->virtual_clock) return true;
    if (!o->no_axis && (!strcmp(b->axis.link, "simulated") || b->axis.world[0])) return true;
    return (!o->no_camera || b->axis.by_lens) && !strcmp(b->camera.kind, "simulated");
}

static int build_stage(struct rig *r, const struct rig_opts *o, struct err *why)
{
    struct stage *s = r->stage = mem_new(1, sizeof *s, why);
    if (!s) return E_NOMEM;
    s->bench = *o->bench;
    s->backlash_counts = counts_from_nm(o->plan, o->bench->axis.backlash_nm);
    place_person(r, o);
    if (!needs_world(o)) return E_OK;
    if (!s->bench.camera.by_cable) strcpy(s->bench.camera.kind, "simulated");
    if (o->virtual_clock && !s->bench.axis.by_hand && !s->bench.axis.by_lens)
        strcpy(s->bench.axis.link, "simulated");
    int rc = build_world(r, o, why);
    if (!rc && !o->no_axis) rc = build_mover(r, o, why);
    if (rc) return rc;
    const struct lens_spec *lens = &o->bench->lens;
    s->camera = (struct camera_sim_opts){.spec = &s->bench.camera,
                                         .sched = r->sched,
                                         .world = r->world,
                                         .seed = o->seed,
                                         .render_threads = r->workers,
                                         .silent_shutter = o->silent_shutter,
                                         .object_ready_us = o->times.object_ready_us,
                                         .transfer_us = o->times.transfer_us,
                                         .focal_length_nm = lens->focal_length_nm,
                                         .faults = o->faults};
    if (s->bench.axis.by_lens) {
        s->camera.lens_nm_num = s->num;
        s->camera.lens_nm_den = s->den;
        s->camera.lens_at_nm = o->plan->near_nm; /* as it was focused by eye */
        const double play_um = o->job->scene.backlash_um;
        s->camera.lens_play_nm = play_um > 0 ? nm_from_um(play_um) : 0;
    }
    return E_OK;
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
                                .take_up_counts = counts_from_nm(o->plan, o->plan->travel.take_up_nm)};
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
    rc = r->sched ? build_stage(r, o, why) : E_NOMEM;
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
    if (r->stage) native_rail_free(r->stage->controller);
    if (r->stage) body_free(r->stage->body);
    if (r->stage) world_port_close(r->stage->port);
    world_free(r->world);
    mem_free(r->stage);
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
