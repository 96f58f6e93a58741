/* gphoto_hear.c - what the camera program says by itself becomes events. */
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "base/mem.h"
#include "device/camera_ask.h"
#include "device/camera_gphoto_part.h"
#include "device/trade.h"

/* From the trigger until the shutter is shut. */
int64_t gphoto_exposing_us(const struct camera_gphoto *c)
{
    return c->opts.spec->mirror_up_us + c->settings.exposure_us;
}

/* ---- events ---- */

void gphoto_push(struct camera_gphoto *c, const struct camera_event *ev)
{
    if (c->event_count == EVENTS_MOST) {
        mem_free(ev->bytes);
        return;
    }
    struct camera_event *slot = &c->events[(c->event_first + c->event_count++) % EVENTS_MOST];
    *slot = *ev;
    slot->at_us = sched_now_us(c->opts.sched);
    if (c->base.notice) c->base.notice(c->base.notice_arg);
}

void gphoto_rest(struct camera_gphoto *c)
{
    if (c->watchdog) sched_cancel(c->opts.sched, c->watchdog);
    c->watchdog = 0;
}

/* ---- the lens */

void gphoto_lens_rests(struct camera_gphoto *c)
{
    if (c->lens_watchdog) sched_cancel(c->opts.sched, c->lens_watchdog);
    c->lens_watchdog = 0;
    c->driving = false;
}

/* It may have moved, and a camera that was switched off may have put its lens elsewhere. */
void gphoto_lens_lost(struct camera_gphoto *c, const struct err *why)
{
    const struct lens_answer a = {.result = LENS_LOST, .why = *why};
    gphoto_lens_rests(c);
    if (c->base.driven) c->base.driven(c->base.driven_arg, &a);
}

static void hear_driven(struct camera_gphoto *c, const json_t *m)
{
    struct lens_answer a = {.result = (enum lens_result)camera_whole(m, "result"),
                            .took_us = camera_whole(m, "took_us")};
    const enum errc code = (enum errc)camera_whole(m, "code");
    if (!c->driving) return;
    gphoto_lens_rests(c);
    if (code) err_say(&a.why, code, "%s", camera_text(m, "text"));
    if (c->base.driven) c->base.driven(c->base.driven_arg, &a);
}

void gphoto_push_gone(struct camera_gphoto *c, const struct err *why)
{
    const uint64_t token = c->exposing ? c->exposing : c->fetching;
    struct camera_event ev = {.kind = CAMERA_GONE, .token = token, .why = *why};
    char advice[128];
    if (c->base.low_battery[0])
        fail(&ev.why, E_IO, "camera: it is gone; %s", camera_gone_advice(&c->base, advice, sizeof advice));
    gphoto_rest(c);
    c->gone = true;
    c->exposing = c->fetching = 0;
    gphoto_lens_lost(c, why);
    gphoto_push(c, &ev);
}

void gphoto_push_unfetched(struct camera_gphoto *c, const struct err *why)
{
    struct camera_event ev = {.kind = CAMERA_FETCHED, .token = c->fetching, .object = c->wanted, .why = *why};
    c->fetching = 0;
    gphoto_push(c, &ev);
}

/* ---- what it says ---- */

enum file_role gphoto_role_of(const char *path)
{
    const char *dot = strrchr(path, '.');
    return dot && (!strcasecmp(dot, ".jpg") || !strcasecmp(dot, ".jpeg")) ? FILE_JPEG : FILE_RAW;
}

int gphoto_remember(struct camera_gphoto *c, const char *path, struct err *why)
{
    if (c->known_count == c->known_room) {
        const size_t room = 2 * c->known_room + 64;
        char **more = mem_grow(c->known, c->known_room, room, sizeof *more, why);
        if (!more) return E_NOMEM;
        c->known = more;
        c->known_room = room;
    }
    c->known[c->known_count] = mem_copy_text(path, why);
    return c->known[c->known_count] ? (c->known_count++, E_OK) : E_NOMEM;
}

void gphoto_forget_known(struct camera_gphoto *c)
{
    for (size_t i = 0; i < c->known_count; i++)
        mem_free(c->known[i]);
    c->known_count = 0;
}

bool gphoto_is_known(const struct camera_gphoto *c, const char *path)
{
    for (size_t i = 0; i < c->known_count; i++)
        if (!strcmp(c->known[i], path)) return true;
    return false;
}

static void hear_object(struct camera_gphoto *c, const json_t *m)
{
    struct camera_event ev = {.kind = CAMERA_OBJECT, .token = c->exposing};
    const char *path = camera_text(m, "path");
    if (strlen(path) >= sizeof ev.object.name) {
        struct err why;
        fail(&why, E_UNSUPPORTED, "camera: the path %.100s is too long to be fetched", path);
        gphoto_push_gone(c, &why);
        return;
    }
    if (gphoto_is_known(c, path)) return;
    gphoto_remember(c, path, NULL);
    snprintf(ev.object.name, sizeof ev.object.name, "%s", path);
    ev.object.role = gphoto_role_of(path);
    ev.object.bytes = camera_whole(m, "bytes");
    if (c->found_count < FILES_MOST) c->found[c->found_count++] = ev.object;
    gphoto_push(c, &ev);
}

static void hear_fetched(struct camera_gphoto *c, struct camera_message *m)
{
    struct camera_event ev = {.kind = CAMERA_FETCHED, .token = c->fetching, .object = c->wanted};
    const enum errc code = (enum errc)camera_whole(m->body, "code");
    err_say(&ev.why, code, "%s", camera_text(m->body, "text"));
    if (json_is_true(json_object_get(m->body, "gone"))) {
        gphoto_push_gone(c, &ev.why);
        return;
    }
    gphoto_rest(c);
    c->fetching = 0;
    c->restarts = 0;
    if (!code) {
        ev.why = (struct err){0};
        ev.bytes = m->payload;
        ev.byte_count = (int64_t)m->payload_count;
        ev.object.bytes = ev.byte_count;
        ev.object.role = camera_ask_role(ev.bytes, (size_t)ev.byte_count);
        m->payload = NULL;
    }
    gphoto_push(c, &ev);
}

/* Whether the shutter was released nobody can tell, but the card: it is asked when the camera must have done
 * with it. */
void gphoto_ask_afterwards(struct camera_gphoto *c, const struct err *why, int64_t after_us)
{
    c->doubt = *why;
    gphoto_rest(c);
    c->watchdog = sched_at(c->opts.sched, sched_now_us(c->opts.sched) + after_us, gphoto_afterwards, c);
}

static void hear_failed(struct camera_gphoto *c, const json_t *m)
{
    struct camera_event ev = {.kind = CAMERA_FAILED, .token = c->exposing};
    const enum errc code = (enum errc)camera_whole(m, "code");
    err_say(&ev.why, code, "%s", camera_text(m, "text"));
    if (code == E_IO) {
        gphoto_ask_afterwards(c, &ev.why, gphoto_exposing_us(c) + AFTERWARDS_US);
        return;
    }
    gphoto_rest(c);
    c->exposing = 0;
    gphoto_push(c, &ev);
}

/* What came of a trigger that was refused, or of a press of the camera's own button: no exposure of ours. */
static void hear_stray(struct camera_gphoto *c, const json_t *m)
{
    struct camera_event ev = {.kind = CAMERA_REMARK};
    const char *path = camera_text(m, "path");
    if (gphoto_is_known(c, path)) return;
    gphoto_remember(c, path, NULL);
    fail(&ev.why, E_INPUT, "camera: %.100s is of no exposure of this stack; it is left on the card", path);
    gphoto_push(c, &ev);
}

/* Told whenever it changes; said at the two levels that matter, once each. */
static void hear_battery(struct camera_gphoto *c, const json_t *m)
{
    struct camera_event ev = {.kind = CAMERA_REMARK};
    const char *level = camera_text(m, "level");
    const int percent = trade_battery_percent(level);
    const bool low = percent >= 0 && percent <= TRADE_BATTERY_LOW,
               empty = low && percent <= TRADE_BATTERY_EMPTY;
    const bool news = low && (!c->base.low_battery[0] || (empty && !c->battery_empty));
    snprintf(c->base.low_battery, sizeof c->base.low_battery, "%s", low ? level : "");
    c->battery_empty = empty;
    if (!news) return;
    fail(&ev.why, E_STATE, "camera: its battery is at %s; %s", level,
         empty ? "pause, and put a full one in" : "have a full one ready");
    gphoto_push(c, &ev);
}

/* Exposed, and no file was told of: there may be one all the same. */
static void hear_complete(struct camera_gphoto *c)
{
    struct camera_event ev = {.kind = CAMERA_COMPLETE, .token = c->exposing};
    if (!c->found_count) {
        gphoto_ask_afterwards(c, &(struct err){0}, 0);
        return;
    }
    gphoto_rest(c);
    c->exposing = 0;
    gphoto_push(c, &ev);
}

void gphoto_hear(struct camera_gphoto *c, struct camera_message *m)
{
    const char *event = camera_text(m->body, "event");
    const uint64_t token = (uint64_t)camera_whole(m->body, "token");
    const bool exposing = token && token == c->exposing;
    if (!strcmp(camera_text(m->body, "re"), "drive")) hear_driven(c, m->body);
    if (!strcmp(event, "lost"))
        gphoto_lens_lost(c, &(struct err){E_IO, "lens: the camera was out of sight, and may have moved it"});
    if (!strcmp(event, "fetched") && token && token == c->fetching) hear_fetched(c, m);
    if (!strcmp(event, "object") && exposing) hear_object(c, m->body);
    if (!strcmp(event, "complete") && exposing) hear_complete(c);
    if (!strcmp(event, "failed") && exposing) hear_failed(c, m->body);
    if (!strcmp(event, "battery")) hear_battery(c, m->body);
    if (!strcmp(event, "stray")) hear_stray(c, m->body);
}
