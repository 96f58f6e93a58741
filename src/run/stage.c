#include "run/stage.h"

#include <string.h>

#include "base/mem.h"
#include "base/units.h"
#include "config/config.h"
#include "device/axis_hand.h"
#include "plan/slices.h"
#include "staddle/wire.h"

#define SPARE_NM  1000000 /* of travel between the outermost slice and the end switch; our choice */
#define TURN_US   4000000 /* how long a played person turns a knob; our choice */
#define PARKED_NM 300000  /* where the carriage stands at first, from the near switch; our choice */

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

int64_t stage_counts(const struct plan *p, int64_t nm)
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
    r->stage->switch_counts = stage_counts(p, p->travel.first_nm - p->travel.take_up_nm - SPARE_NM);
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

int stage_build(struct rig *r, const struct rig_opts *o, struct err *why)
{
    struct stage *s = r->stage = mem_new(1, sizeof *s, why);
    if (!s) return E_NOMEM;
    s->bench = *o->bench;
    s->backlash_counts = stage_counts(o->plan, o->bench->axis.backlash_nm);
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

void stage_free(struct stage *s)
{
    if (!s) return;
    native_rail_free(s->controller);
    body_free(s->body);
    world_port_close(s->port);
    mem_free(s);
}
