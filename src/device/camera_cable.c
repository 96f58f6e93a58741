#include "device/camera_cable.h"

#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "base/units.h"

#define EVENTS_MOST  4
#define MARGIN_US    2000 /* beside what follows: the line, rounding; guess */
#define CLOCK_SHARE  200  /* a controller's ceramic resonator is good to half a per cent (data sheets) */
#define FIRE_MOST_MS 600000
#define MIRROR_US                                                                                            \
    31000000 /* a mirror that waits comes down by itself after 30 s (common practice, no source) */

enum stage { STAGE_IDLE, STAGE_RAISING, STAGE_ASKED, STAGE_HELD, STAGE_OPEN, STAGE_BUSY, STAGE_DOUBT };

struct cable {
    struct camera base;
    struct camera_cable_opts opts;
    struct camera_settings settings;
    enum stage stage;
    uint64_t token;
    sched_id call;
    int64_t down_us; /* the mirror may be up until then, nobody knows */
    int64_t full_us; /* the full press, as near as is known */
    int64_t shut_us; /* the shutter is shut by then */
    struct camera_event events[EVENTS_MOST];
    int first, count;
};

static struct cable *of(struct camera *c)
{
    return (struct cable *)c;
}

static void push(struct cable *c, const struct camera_event *ev)
{
    if (c->count == EVENTS_MOST) return; /* cannot be: one exposure at a time leaves at most 3 unread */
    struct camera_event *slot = &c->events[(c->first + c->count++) % EVENTS_MOST];
    *slot = *ev;
    slot->token = c->token;
    slot->at_us = sched_now_us(c->opts.sched);
    if (c->base.notice) c->base.notice(c->base.notice_arg);
}

static void call_at(struct cable *c, int64_t at_us, sched_fn *fn)
{
    c->call = sched_at(c->opts.sched, at_us, fn, c);
}

static void on_free(void *arg)
{
    struct cable *c = arg;
    c->call = 0;
    c->stage = STAGE_IDLE;
    push(c, &(struct camera_event){.kind = CAMERA_COMPLETE});
}

static void on_shut(void *arg)
{
    struct cable *c = arg;
    c->stage = STAGE_BUSY;
    push(c, &(struct camera_event){.kind = CAMERA_EXPOSED, .fired_us = c->full_us});
    call_at(c, sched_now_us(c->opts.sched) + c->opts.spec->busy_us, on_free);
}

static void on_released(void *arg)
{
    struct cable *c = arg;
    c->stage = STAGE_OPEN;
    call_at(c, c->shut_us, on_shut);
}

static bool is_bulb(const struct cable *c)
{
    const int64_t from_us = c->opts.spec->bulb_from_us;
    return from_us && c->settings.exposure_us >= from_us;
}

static int32_t held_ms(const struct cable *c)
{
    return (int32_t)((is_bulb(c) ? c->settings.exposure_us : c->opts.spec->press_us) / US_PER_MS);
}

static int32_t press_ms(const struct cable *c)
{
    return (int32_t)(c->opts.spec->press_us / US_PER_MS);
}

static int ask_to_fire(struct cable *c, int32_t ms, struct err *why)
{
    return axis_fire(c->opts.axis, (int32_t)(c->opts.spec->half_press_us / US_PER_MS), ms, why);
}

/* Perhaps a press was left without its second. */
static void doubt_mirror(struct cable *c)
{
    if (c->opts.spec->mirror_up_us) c->down_us = sched_now_us(c->opts.sched) + MIRROR_US;
}

static void refused(struct cable *c, const struct err *why)
{
    doubt_mirror(c);
    c->stage = STAGE_IDLE;
    push(c, &(struct camera_event){.kind = CAMERA_FAILED, .why = *why});
}

/* The second press, with the mirror up. */
static void on_mirror_up(void *arg)
{
    struct cable *c = arg;
    struct err why;
    c->call = 0;
    c->stage = STAGE_ASKED; /* the answer may come at once */
    if (ask_to_fire(c, held_ms(c), &why)) refused(c, &why);
}

/* By the latest that can be: the contacts are open again, then the shutter is shut. */
static void is_pressed(struct cable *c, int64_t pressed_us)
{
    const struct camera_spec *spec = c->opts.spec;
    const int64_t full_us = pressed_us + spec->half_press_us, held_us = (int64_t)held_ms(c) * US_PER_MS;
    const int64_t away_us = MARGIN_US + (spec->half_press_us + held_us) / CLOCK_SHARE;
    const int64_t open_us = is_bulb(c) ? held_us : c->settings.exposure_us;
    const int64_t released_us = full_us + held_us + away_us;
    c->shut_us = full_us + spec->shutter_lag_us + open_us + away_us;
    if (c->shut_us < released_us) c->shut_us = released_us;
    c->stage = STAGE_HELD;
    call_at(c, released_us, on_released);
}

static void fall_silent(struct cable *c, const struct err *why)
{
    struct camera_event ev = {.kind = CAMERA_REMARK};
    sched_cancel(c->opts.sched, c->call);
    c->call = 0;
    c->stage = STAGE_DOUBT;
    doubt_mirror(c);
    fail(&ev.why, E_TIMEOUT, "nobody can tell whether the camera was released, or long enough: %.300s",
         why->code ? why->text : "the axis was halted");
    push(c, &ev);
}

static void on_mirror_down(void *arg)
{
    struct cable *c = arg;
    struct err why;
    c->call = 0;
    if (ask_to_fire(c, press_ms(c), &why)) refused(c, &why);
}

/* A press with the mirror up already would expose. */
static int raise_mirror(struct cable *c, struct err *why)
{
    if (sched_now_us(c->opts.sched) >= c->down_us) return ask_to_fire(c, press_ms(c), why);
    call_at(c, c->down_us, on_mirror_down);
    return E_OK;
}

static void on_fired(void *arg, const struct axis_fire_answer *a)
{
    struct cable *c = arg;
    const bool asked = c->stage == STAGE_ASKED || c->stage == STAGE_RAISING;
    if (c->stage == STAGE_RAISING && a->end == AXIS_FIRED) {
        const struct camera_spec *spec = c->opts.spec;
        call_at(c, a->late_us + spec->half_press_us + spec->press_us + spec->mirror_up_us, on_mirror_up);
    } else if (c->stage == STAGE_ASKED && a->end == AXIS_FIRED) {
        c->full_us = (a->early_us + a->late_us) / 2 + c->opts.spec->half_press_us;
        is_pressed(c, a->late_us);
    } else if (asked && a->end == AXIS_FIRE_REFUSED) {
        refused(c, &a->why);
    } else if (a->end == AXIS_FIRE_UNSEEN && (asked || c->stage == STAGE_HELD)) {
        fall_silent(c, &a->why);
    }
}

static int cable_describe(struct camera *camera, struct camera_facts *out, struct err *why)
{
    const struct camera_spec *spec = of(camera)->opts.spec;
    (void)why;
    *out = (struct camera_facts){.width_px = spec->width_px,
                                 .height_px = spec->height_px,
                                 .files_per_frame = 1,
                                 .epoch = 1,
                                 .wait_us = spec->half_press_us + spec->press_us + spec->busy_us};
    if (spec->mirror_up_us)
        out->wait_us += spec->half_press_us + spec->press_us + spec->mirror_up_us + MIRROR_US;
    snprintf(out->model, sizeof out->model, "camera on a cable");
    return E_OK;
}

static int cable_set(struct camera *camera, const struct camera_settings *s, struct err *why)
{
    struct cable *c = of(camera);
    const struct camera_settings was = c->settings;
    c->settings = *s;
    if (!is_bulb(c) || s->exposure_us <= (int64_t)FIRE_MOST_MS * US_PER_MS) return E_OK;
    c->settings = was;
    return fail(why, E_INPUT, "cable: the controller holds the shutter for at most %d s",
                FIRE_MOST_MS / 1000);
}

static int cable_arm(struct camera *camera, struct err *why)
{
    if (of(camera)->settings.exposure_us > 0) return E_OK;
    return fail(why, E_STATE, "cable: no exposure time is known");
}

static int cable_trigger(struct camera *camera, uint64_t token, struct err *why)
{
    struct cable *c = of(camera);
    c->token = token;
    c->stage = c->opts.spec->mirror_up_us ? STAGE_RAISING : STAGE_ASKED; /* the answer may come at once */
    int rc = c->stage == STAGE_RAISING ? raise_mirror(c, why) : ask_to_fire(c, held_ms(c), why);
    if (rc) c->stage = STAGE_IDLE;
    return rc == E_IO ? E_TIMEOUT : rc; /* the camera is not what is gone */
}

static int cable_next_event(struct camera *camera, struct camera_event *out, struct err *why)
{
    struct cable *c = of(camera);
    (void)why;
    if (!c->count) return E_OK;
    *out = c->events[c->first];
    c->first = (c->first + 1) % EVENTS_MOST;
    c->count--;
    return E_OK;
}

static int cable_fetch(struct camera *camera, uint64_t token, const struct camera_object *o, struct err *why)
{
    (void)camera;
    (void)token;
    (void)o;
    return fail(why, E_STATE, "cable: its frames stay on its card");
}

/* An exposure of an earlier run was under way. */
static void cable_remind(struct camera *camera, uint64_t token, const struct camera_memory *memory)
{
    (void)token;
    (void)memory;
    doubt_mirror(of(camera));
}

/* Ends the exposure, as far as it is ours. */
static int cable_recount(struct camera *camera, uint64_t token, int32_t *objects_out, struct err *why)
{
    struct cable *c = of(camera);
    (void)why;
    *objects_out = -1;
    if (token != c->token) return E_OK;
    sched_cancel(c->opts.sched, c->call);
    c->call = 0;
    c->count = 0;
    c->stage = STAGE_IDLE;
    return E_OK;
}

static void cable_close(struct camera *camera)
{
    struct cable *c = of(camera);
    c->opts.axis->fired = NULL;
    sched_cancel(c->opts.sched, c->call);
    mem_free(c);
}

static const struct camera_ops OPS = {
    .name = "cable",
    .caps = CAMERA_SAYS_EXPOSED | CAMERA_KEEPS_FILES | CAMERA_OVER_AXIS,
    .describe = cable_describe,
    .set = cable_set,
    .arm = cable_arm,
    .trigger = cable_trigger,
    .next_event = cable_next_event,
    .fetch = cable_fetch,
    .recount = cable_recount,
    .remind = cable_remind,
    .close = cable_close,
};

int camera_cable_open(const struct camera_cable_opts *opts, struct camera **out, struct err *why)
{
    struct cable *c = mem_new(1, sizeof *c, why);
    if (!c) return E_NOMEM;
    c->base.ops = &OPS;
    c->opts = *opts;
    opts->axis->fired = on_fired;
    opts->axis->fired_arg = c;
    *out = &c->base;
    return E_OK;
}
