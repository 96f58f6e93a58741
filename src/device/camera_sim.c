#include "device/camera_sim.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "base/pool.h"
#include "device/camera_sim_tell.h"

#define OBJECT_READY_US 300000 /* our choice: a mirrorless body writing one JPEG; no source */
#define TRANSFER_US     600000 /* our choice: some 10 MB over a slow cable; no source */
#define EVENTS_MOST     8      /* one exposure and one transfer at a time leave at most 5 unread */
#define HELD_MOST       4      /* frames that its card keeps; the oldest goes when a new one comes */

/* One exposure, from the trigger until it is fetched or pushed out. */
struct held {
    struct camera_sim *camera;
    uint64_t token;
    bool used, ready; /* ready: may be fetched */
    bool lost, mute;
    struct shot shot;
    struct camera_object object;
    uint8_t *jpeg;
    size_t jpeg_bytes;
    struct err why; /* of the rendering */
    int64_t ready_at_us;
};

struct camera_sim {
    struct camera base;
    struct camera_sim_opts opts;
    struct camera_settings settings;
    struct pool *darkroom;
    struct held held[HELD_MOST];
    struct held *exposing, *transferring;
    int64_t open_us;
    sched_id next_call, transfer_call, lens_call;
    int64_t lens_counts; /* where the lens stands, from where it stood at first */
    int32_t lens_order;
    int64_t lens_glass_nm; /* where the glass is, which is behind the motor by the play */
    int32_t triggers, transfers;
    int64_t epoch;
    bool unplugged, hung, loses;
    int64_t back_at_us;
    struct camera_event events[EVENTS_MOST];
    int event_first, event_count;
};

static void push(struct camera_sim *c, const struct camera_event *ev)
{
    if (c->event_count == EVENTS_MOST) return; /* cannot be: one exposure and one transfer at a time */
    if ((c->unplugged && ev->kind != CAMERA_GONE) || c->hung) { /* nobody hears it */
        mem_free(ev->bytes);
        return;
    }
    struct camera_event *slot = &c->events[(c->event_first + c->event_count++) % EVENTS_MOST];
    *slot = *ev;
    slot->at_us = sched_now_us(c->opts.sched);
    if (c->base.notice) c->base.notice(c->base.notice_arg);
}

static void push_kind(struct camera_sim *c, enum camera_event_kind kind, uint64_t token)
{
    push(c, &(struct camera_event){.kind = kind, .token = token});
}

static void drop(struct held *h)
{
    mem_free(h->jpeg);
    memset(h, 0, sizeof *h);
}

/* An empty place, or that of the oldest frame. */
static struct held *make_room(struct camera_sim *c)
{
    struct held *oldest = &c->held[0];
    for (int i = 0; i < HELD_MOST; i++) {
        if (!c->held[i].used) return &c->held[i];
        if (c->held[i].shot.open_us < oldest->shot.open_us) oldest = &c->held[i];
    }
    drop(oldest);
    return oldest;
}

/* SplitMix64's finaliser: neighbouring seeds and tokens give unrelated noise. */
static uint64_t scatter(uint64_t x)
{
    x += 0x9e3779b97f4a7c15u;
    x = (x ^ (x >> 30)) * 0xbf58476d1ce4e5b9u;
    x = (x ^ (x >> 27)) * 0x94d049bb133111ebu;
    return x ^ (x >> 31);
}

static void render(void *arg)
{
    struct held *h = arg;
    const struct camera_sim *c = h->camera;
    world_render(c->opts.world, &h->shot, c->opts.render_threads, &h->jpeg, &h->jpeg_bytes, &h->why);
}

static void object_ready(void *arg)
{
    struct held *h = arg;
    struct camera_sim *c = h->camera;
    c->next_call = 0;
    c->exposing = NULL;
    h->lost = h->lost || c->loses;
    c->loses = false;
    h->ready = !h->lost;
    h->object.bytes = (int64_t)h->jpeg_bytes;
    if (h->mute) return;
    if (!h->lost)
        push(c, &(struct camera_event){.kind = CAMERA_OBJECT, .token = h->token, .object = h->object});
    push_kind(c, CAMERA_COMPLETE, h->token);
    if (h->lost) drop(h);
}

static void rendered(void *arg)
{
    struct held *h = arg;
    struct camera_sim *c = h->camera;
    if (!h->jpeg) {
        c->exposing = NULL;
        push(c, &(struct camera_event){.kind = CAMERA_FAILED, .token = h->token, .why = h->why});
        drop(h);
    } else if (sched_now_us(c->opts.sched) < h->ready_at_us) {
        c->next_call = sched_at(c->opts.sched, h->ready_at_us, object_ready, h);
    } else {
        object_ready(h);
    }
}

static void give_up(struct camera_sim *c, struct held *h, enum camera_event_kind kind, const char *text)
{
    struct camera_event ev = {.kind = kind, .token = h->token};
    fail(&ev.why, kind == CAMERA_GONE ? E_IO : E_TIMEOUT, "%s: %s", c->base.ops->name, text);
    c->exposing = NULL;
    drop(h);
    push(c, &ev);
}

static void shutter_shuts(void *arg)
{
    struct held *h = arg;
    struct camera_sim *c = h->camera;
    int64_t now = sched_now_us(c->opts.sched);
    c->next_call = 0;
    world_expose(c->opts.world, c->open_us, c->open_us + c->settings.exposure_us, c->settings.flash,
                 &h->shot);
    h->shot.token = h->token;
    h->shot.noise_seed =
        scatter(scatter(c->opts.seed) ^ (h->token & ((UINT64_C(1) << CAMERA_TOKEN_OWN_BITS) - 1)));
    h->shot.wall_us = sched_wall_us(c->opts.sched) - c->settings.exposure_us;
    h->shot.f_number = c->settings.f_number;
    h->shot.iso = c->settings.iso;
    h->shot.focal_length_nm = c->opts.focal_length_nm;
    if (c->opts.faults.dark_at == c->triggers) h->shot.light = 0;
    h->ready_at_us = now + c->opts.object_ready_us;
    if (c->base.ops->caps & CAMERA_SAYS_EXPOSED) push_kind(c, CAMERA_EXPOSED, h->token);
    struct err why;
    if (pool_submit(c->darkroom, render, rendered, h, c->opts.object_ready_us, &why))
        give_up(c, h, CAMERA_FAILED, why.text);
}

static void shutter_opens(void *arg)
{
    struct held *h = arg;
    struct camera_sim *c = h->camera;
    c->next_call = 0;
    if (c->opts.faults.gone_at == c->triggers) {
        give_up(c, h, CAMERA_GONE, "the camera does not answer any more; check its cable and battery");
    } else if (c->opts.faults.fail_at == c->triggers) {
        give_up(c, h, CAMERA_FAILED, "the shutter did not open");
    } else {
        c->open_us = sched_now_us(c->opts.sched);
        c->next_call = sched_at(c->opts.sched, c->open_us + c->settings.exposure_us, shutter_shuts, h);
    }
}

static int hears(const struct camera_sim *c, struct err *why)
{
    if (c->unplugged)
        return fail(why, E_IO, "%s: the camera is gone; check its cable and battery", c->base.ops->name);
    return c->hung ? fail(why, E_TIMEOUT, "%s: does not answer", c->base.ops->name) : E_OK;
}

static int sim_trigger(struct camera *camera, uint64_t token, struct err *why)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    int rc = hears(c, why);
    if (rc) return rc;
    if (c->exposing) return fail(why, E_TIMEOUT, "%s: busy with the exposure before", c->base.ops->name);
    struct held *h = make_room(c);
    int32_t n = ++c->triggers;
    *h = (struct held){.camera = c,
                       .token = token,
                       .used = true,
                       .lost = c->opts.faults.lose_at == n,
                       .mute = c->opts.faults.mute_at == n,
                       .object = {.role = FILE_JPEG}};
    snprintf(h->object.name, sizeof h->object.name, "sim_%05" PRId32 ".jpg", n);
    c->exposing = h;
    c->next_call =
        sched_at(c->opts.sched, sched_now_us(c->opts.sched) + c->opts.spec->shutter_lag_us, shutter_opens, h);
    return E_OK;
}

static void transferred(void *arg)
{
    struct camera_sim *c = arg;
    struct held *h = c->transferring;
    if (c->unplugged || c->hung) {
        c->transferring = NULL;
        c->transfer_call = 0;
        return;
    }
    struct camera_event ev = {.kind = CAMERA_FETCHED, .token = h->token, .object = h->object};
    c->transfer_call = 0;
    c->transferring = NULL;
    if (c->opts.faults.transfer_at == c->transfers) {
        fail(&ev.why, E_TIMEOUT, "%s: the transfer of %s broke off", c->base.ops->name, h->object.name);
    } else {
        ev.bytes = mem_new(h->jpeg_bytes, 1, &ev.why);
        if (ev.bytes) memcpy(ev.bytes, h->jpeg, h->jpeg_bytes);
        if (ev.bytes) ev.byte_count = (int64_t)h->jpeg_bytes;
    }
    push(c, &ev);
}

static int sim_fetch(struct camera *camera, uint64_t token, const struct camera_object *o, struct err *why)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    int rc = hears(c, why);
    if (rc) return rc;
    for (int i = 0; i < HELD_MOST; i++) {
        struct held *h = &c->held[i];
        if (!h->used || !h->ready || h->token != token || strcmp(h->object.name, o->name) != 0) continue;
        c->transferring = h;
        c->transfers++;
        c->transfer_call =
            sched_at(c->opts.sched, sched_now_us(c->opts.sched) + c->opts.transfer_us, transferred, c);
        return E_OK;
    }
    return fail(why, E_STATE, "%s: holds no %s", c->base.ops->name, o->name);
}

static int sim_next_event(struct camera *camera, struct camera_event *out, struct err *why)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    (void)why;
    if (!c->event_count) {
        out->kind = CAMERA_NOTHING;
        return E_OK;
    }
    *out = c->events[c->event_first];
    c->event_first = (c->event_first + 1) % EVENTS_MOST;
    c->event_count--;
    return E_OK;
}

static int sim_describe(struct camera *camera, struct camera_facts *out, struct err *why)
{
    const struct camera_sim *c = (struct camera_sim *)camera;
    (void)why;
    *out = (struct camera_facts){.width_px = c->opts.spec->width_px,
                                 .height_px = c->opts.spec->height_px,
                                 .files_per_frame = 1,
                                 .epoch = c->epoch};
    snprintf(out->model, sizeof out->model, "simulated camera");
    return E_OK;
}

static int sim_set(struct camera *camera, const struct camera_settings *s, struct err *why)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    int rc = hears(c, why);
    if (rc) return rc;
    struct camera_settings now = *s;
    if (now.f_number == 0) now.f_number = c->settings.f_number;
    if (now.iso == 0) now.iso = c->settings.iso;
    c->settings = now;
    return E_OK;
}

static int sim_arm(struct camera *camera, struct err *why)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    if (c->settings.exposure_us <= 0)
        return fail(why, E_STATE, "%s: no exposure time is set", c->base.ops->name);
    return E_OK;
}

static int sim_recount(struct camera *camera, uint64_t token, int32_t *objects_out, struct err *why)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    int rc = hears(c, why);
    if (rc) return rc;
    int32_t n = 0;
    for (int i = 0; i < HELD_MOST; i++)
        n += c->held[i].used && c->held[i].ready && c->held[i].token == token;
    *objects_out = n;
    return E_OK;
}

static int sim_held(struct camera *camera, uint64_t token, struct camera_object *out, int32_t most,
                    int32_t *count_out, struct err *why)
{
    const struct camera_sim *c = (const struct camera_sim *)camera;
    int rc = hears(c, why);
    if (rc) return rc;
    int32_t n = 0;
    for (int i = 0; i < HELD_MOST && n < most; i++)
        if (c->held[i].used && c->held[i].ready && c->held[i].token == token) out[n++] = c->held[i].object;
    *count_out = n;
    return E_OK;
}

static void forget_events(struct camera_sim *c)
{
    for (; c->event_count; c->event_count--, c->event_first = (c->event_first + 1) % EVENTS_MOST)
        mem_free(c->events[c->event_first].bytes);
}

/* A move under way goes on, and nobody hears of its end. */
static void lens_lost(struct camera_sim *c, const struct err *why)
{
    const struct lens_answer lost = {.result = LENS_LOST, .why = *why};
    if (c->base.driven) c->base.driven(c->base.driven_arg, &lost);
}

static int sim_again(struct camera *camera, struct err *why)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    if (c->unplugged && sched_now_us(c->opts.sched) < c->back_at_us)
        return fail(why, E_IO, "%s: the camera is gone; check its cable and battery", c->base.ops->name);
    if (c->exposing || c->transferring) return fail(why, E_TIMEOUT, "%s: busy; wait", c->base.ops->name);
    forget_events(c);
    c->unplugged = c->hung = false;
    c->settings = (struct camera_settings){.f_number = c->settings.f_number, .iso = c->settings.iso};
    c->epoch++;
    return E_OK;
}

void camera_sim_unplug(struct camera *camera, int64_t back_at_us)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    struct camera_event ev = {.kind = CAMERA_GONE};
    fail(&ev.why, E_IO, "%s: the camera is gone; check its cable and battery", c->base.ops->name);
    forget_events(c);
    c->unplugged = true;
    c->back_at_us = back_at_us;
    lens_lost(c, &ev.why);
    push(c, &ev);
}

void camera_sim_hang(struct camera *camera)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    forget_events(c);
    c->hung = true;
}

void camera_sim_lose(struct camera *camera)
{
    ((struct camera_sim *)camera)->loses = true;
}

/* ---- the lens */

#define LENS_START_US   20000 /* of each order: orders go over the link one by one */
#define LENS_US_A_COUNT 500
#define LENS_MOST       32767

static int sim_lens(struct camera *camera, struct lens_kind *out, struct err *why)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    int rc = hears(c, why);
    if (!rc && c->opts.lens_nm_num) out->order_most = LENS_MOST;
    return rc;
}

/* Pushed from the near side the glass is where the motor is, else farther by the play. */
static int64_t lens_nm(struct camera_sim *c)
{
    const int64_t motor_nm = c->opts.lens_at_nm + c->lens_counts * c->opts.lens_nm_num / c->opts.lens_nm_den;
    if (c->lens_glass_nm < motor_nm) c->lens_glass_nm = motor_nm;
    if (c->lens_glass_nm > motor_nm + c->opts.lens_play_nm)
        c->lens_glass_nm = motor_nm + c->opts.lens_play_nm;
    return c->lens_glass_nm;
}

static void on_lens(void *arg)
{
    struct camera_sim *c = arg;
    const struct lens_answer moved = {.result = LENS_MOVED};
    c->lens_call = 0;
    c->lens_counts += c->lens_order;
    world_place(c->opts.world, lens_nm(c));
    if (c->base.driven && !c->unplugged && !c->hung) c->base.driven(c->base.driven_arg, &moved);
}

static int sim_drive(struct camera *camera, int32_t order, struct err *why)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    const int64_t length = order < 0 ? -(int64_t)order : order;
    int rc = hears(c, why);
    if (rc) return rc;
    if (c->lens_call || !c->opts.lens_nm_num) return fail(why, E_STATE, "%s: busy; wait", c->base.ops->name);
    c->lens_order = order;
    c->lens_call = sched_at(
        c->opts.sched, sched_now_us(c->opts.sched) + LENS_START_US + LENS_US_A_COUNT * length, on_lens, c);
    return c->lens_call ? E_OK : fail(why, E_NOMEM, "%s: no memory for a call", c->base.ops->name);
}

/* What is seen now: nothing is exposed, and nothing of it is kept. */
static int sim_preview(struct camera *camera, uint8_t **jpeg_out, int64_t *bytes_out, struct err *why)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    const int64_t now_us = sched_now_us(c->opts.sched);
    const struct shot seen = {.noise_seed = c->opts.seed,
                              .open_us = now_us,
                              .shut_us = now_us,
                              .wall_us = sched_wall_us(c->opts.sched),
                              .light = 1,
                              .samples = 1,
                              .focus_nm = {world_carriage_nm(c->opts.world)}};
    size_t count = 0;
    int rc = hears(c, why);
    if (!rc) rc = world_render(c->opts.world, &seen, c->opts.render_threads, jpeg_out, &count, why);
    if (!rc) *bytes_out = (int64_t)count;
    return rc;
}

static int sim_tell(struct camera *camera, struct told *out, struct err *why)
{
    const struct camera_sim *c = (const struct camera_sim *)camera;
    int rc = hears(c, why);
    return rc ? rc : camera_sim_told(&c->settings, sched_wall_us(c->opts.sched), out, why);
}

static int sim_turn(struct camera *camera, const char *setting, const char *word, struct err *why)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    int rc = hears(c, why);
    return rc ? rc : camera_sim_turned(&c->settings, setting, word, why);
}

static void sim_close(struct camera *camera)
{
    struct camera_sim *c = (struct camera_sim *)camera;
    if (c->lens_call) sched_cancel(c->opts.sched, c->lens_call);
    if (c->next_call) sched_cancel(c->opts.sched, c->next_call);
    if (c->transfer_call) sched_cancel(c->opts.sched, c->transfer_call);
    pool_free(c->darkroom);
    for (int i = 0; i < HELD_MOST; i++)
        drop(&c->held[i]);
    forget_events(c);
    mem_free(c);
}

#define SIM_OPS(says)                                                                                        \
    {                                                                                                        \
        .name = "simulated camera", .caps = CAMERA_RECOUNTS | CAMERA_PREVIEWS | (says),                      \
        .describe = sim_describe, .set = sim_set, .arm = sim_arm, .trigger = sim_trigger,                    \
        .next_event = sim_next_event, .fetch = sim_fetch, .recount = sim_recount, .close = sim_close,        \
        .held = sim_held, .again = sim_again, .lens = sim_lens, .drive = sim_drive, .preview = sim_preview,  \
        .tell = sim_tell, .turn = sim_turn,                                                                  \
    }

static const struct camera_ops ops_loud = SIM_OPS(CAMERA_SAYS_EXPOSED);
static const struct camera_ops ops_silent = SIM_OPS(0);

int camera_sim_open(const struct camera_sim_opts *opts, struct camera **out, struct err *why)
{
    struct camera_sim *c = mem_new(1, sizeof *c, why);
    if (!c) return E_NOMEM;
    c->base.ops = opts->silent_shutter ? &ops_silent : &ops_loud;
    c->opts = *opts;
    c->epoch = 1;
    if (!c->opts.object_ready_us) c->opts.object_ready_us = OBJECT_READY_US;
    if (!c->opts.transfer_us) c->opts.transfer_us = TRANSFER_US;
    if (c->opts.render_threads < 1) c->opts.render_threads = 1;
    c->settings.f_number = opts->f_number;
    c->settings.iso = opts->iso;
    c->darkroom = pool_new(opts->sched, 1, why);
    if (!c->darkroom) {
        mem_free(c);
        return why ? why->code : E_NOMEM;
    }
    c->lens_glass_nm = opts->lens_at_nm;
    if (opts->lens_nm_num) world_place(opts->world, opts->lens_at_nm);
    *out = &c->base;
    return E_OK;
}
