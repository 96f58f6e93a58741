#include "device/camera_folder.h"

#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "device/camera_folder_part.h"
#include "store/store.h"

/* All of them our choice, no source. */
#define SOON_US 20000  /* after something has happened: more is about to */
#define LOOK_US 500000 /* where nothing tells of files (network folders), it is looked for them */

int64_t folder_now_us(const struct camera_folder *c)
{
    return sched_now_us(c->opts.sched);
}

/* ---- events */

void folder_push(struct camera_folder *c, const struct camera_event *ev)
{
    if (c->event_count == EVENTS_MOST) { /* remarks are let go, the rest is never so much */
        mem_free(ev->bytes);
        return;
    }
    struct camera_event *slot = &c->events[(c->event_first + c->event_count++) % EVENTS_MOST];
    *slot = *ev;
    slot->at_us = folder_now_us(c);
    if (c->base.notice) c->base.notice(c->base.notice_arg);
}

static void say(const struct camera_folder *c, const char *sentence)
{
    const struct person *p = c->opts.person;
    if (p && p->tell) p->tell(p->arg, sentence);
}

void folder_remark(struct camera_folder *c, const char *format, ...)
{
    struct camera_event ev = {.kind = CAMERA_REMARK, .token = c->token, .why = {.code = E_INPUT}};
    va_list ap;
    va_start(ap, format);
    vsnprintf(ev.why.text, sizeof ev.why.text, format, ap);
    va_end(ap);
    say(c, ev.why.text);
    if (c->event_count < EVENTS_MOST - 8) folder_push(c, &ev);
}

/* What came and was not made a frame of stays what it is: not the next one's. */
static void leave_new_alone(struct camera_folder *c)
{
    for (int32_t i = 0; i < c->list.count; i++)
        if (c->list.files[i].use == FILE_NEW) c->list.files[i].use = FILE_PAST;
}

void folder_stop_waiting(struct camera_folder *c)
{
    if (c->late) sched_cancel(c->opts.sched, c->late);
    c->late = 0;
    c->token = 0;
    c->first_whole_us = 0;
    leave_new_alone(c);
}

void folder_give_up(struct camera_folder *c, enum errc code, const char *format, ...)
{
    struct camera_event ev = {.kind = CAMERA_FAILED, .token = c->token, .why = {.code = code}};
    va_list ap;
    va_start(ap, format);
    vsnprintf(ev.why.text, sizeof ev.why.text, format, ap);
    va_end(ap);
    say(c, ev.why.text);
    folder_stop_waiting(c);
    folder_push(c, &ev);
}

static void vanished(struct camera_folder *c)
{
    struct camera_event ev = {.kind = CAMERA_GONE, .token = c->token};
    if (c->gone) return;
    c->gone = true;
    fail(&ev.why, E_IO, "the folder that the frames come into is gone: %.300s; is its disk or card there?",
         c->opts.spec->folder);
    folder_stop_waiting(c);
    if (c->think) sched_cancel(c->opts.sched, c->think);
    c->think = 0;
    folder_push(c, &ev);
}

/* ---- looking */

static void think(void *arg);

static void think_at(struct camera_folder *c, int64_t at_us)
{
    if (c->gone || (c->think && c->think_us <= at_us)) return;
    if (c->think) sched_cancel(c->opts.sched, c->think);
    c->think_us = at_us;
    c->think = sched_at(c->opts.sched, at_us, think, c);
}

/* False: the folder is gone. */
static bool look(struct camera_folder *c)
{
    struct err why;
    if (c->gone) return false;
    if (folder_watch_there(c->watch) && !folder_list_look(&c->list, c->watch, folder_now_us(c), &why))
        return true;
    vanished(c);
    return false;
}

static void on_seen(void *arg, enum folder_what what, const char *name)
{
    struct camera_folder *c = arg;
    struct folder_file *f = folder_list_find(&c->list, name);
    if (what == FOLDER_VANISHED) {
        vanished(c);
        return;
    }
    if ((what == FOLDER_CLOSED || (what == FOLDER_WRITTEN && !f)) && look(c))
        f = folder_list_find(&c->list, name);
    if (f && what == FOLDER_WRITTEN) {
        f->open = true;
        f->closed = false;
        f->changed_us = folder_now_us(c);
    } else if (f && what == FOLDER_CLOSED) {
        f->open = false;
        f->closed = true;
        if (f->whole == WHOLE_NO) f->whole = WHOLE_UNKNOWN;
    }
    think_at(c, folder_now_us(c) + SOON_US);
}

static void think(void *arg)
{
    struct camera_folder *c = arg;
    c->think = 0;
    if (!look(c)) return;
    if (!c->token) {
        folder_tell_strays(c);
        return;
    }
    folder_check_new(c);
    if (c->token) folder_decide(c);
    if (c->token) think_at(c, folder_now_us(c) + (folder_what_comes(c).first ? QUIET_US / 3 : LOOK_US));
}

static void on_looked(void *arg, const struct folder_seen *s)
{
    struct camera_folder *c = arg;
    struct folder_file *f = look(c) ? folder_list_find(&c->list, s->name) : NULL;
    think_at(c, folder_now_us(c));
    if (f) folder_looked_at(c, f, s);
}

static void on_late(void *arg)
{
    struct camera_folder *c = arg;
    c->late = 0;
    if (!look(c)) return;
    const struct folder_coming w = folder_what_comes(c);
    const double s = (double)(folder_now_us(c) - c->asked_us) / 1e6;
    if (w.first)
        folder_give_up(c, E_TIMEOUT, "%.80s came and was not whole %.0f s after the frame was asked for",
                       w.first->name, s);
    else
        folder_give_up(
            c, E_TIMEOUT,
            "no frame came into %.200s within %.0f s; look at the camera and at what saves its frames",
            c->opts.spec->folder, s);
}

/* ---- what the caller asks */

static struct camera_folder *of(struct camera *camera)
{
    return (struct camera_folder *)camera;
}

static int64_t wait_us(const struct camera_folder *c)
{
    return c->opts.spec->wait_us ? c->opts.spec->wait_us : CAMERA_FOLDER_WAIT_US;
}

static int folder_describe(struct camera *camera, struct camera_facts *out, struct err *why)
{
    const struct camera_spec *spec = of(camera)->opts.spec;
    (void)why;
    *out = (struct camera_facts){.width_px = spec->width_px,
                                 .height_px = spec->height_px,
                                 .files_per_frame = spec->raw_and_jpeg ? 2 : 1,
                                 .epoch = 1,
                                 .wait_us = wait_us(of(camera))};
    snprintf(out->model, sizeof out->model, "files of a folder");
    return E_OK;
}

/* Whoever fires it sets it. */
static int folder_set(struct camera *camera, const struct camera_settings *s, struct err *why)
{
    (void)camera, (void)s, (void)why;
    return E_OK;
}

static int folder_arm(struct camera *camera, struct err *why)
{
    (void)camera, (void)why;
    return E_OK;
}

static int folder_trigger(struct camera *camera, uint64_t token, struct err *why)
{
    struct camera_folder *c = of(camera);
    char sentence[PATH_ROOM + 80];
    if (!look(c)) return fail(why, E_IO, "the folder that the frames come into is gone");
    folder_tell_strays(c);
    folder_look_forget(c->look);
    c->token = token;
    c->asked_us = folder_now_us(c);
    c->late = sched_at(c->opts.sched, c->asked_us + wait_us(c), on_late, c);
    think_at(c, c->asked_us + LOOK_US);
    snprintf(sentence, sizeof sentence, "take the frame now; it is waited for in %s", c->opts.spec->folder);
    say(c, sentence);
    folder_watch_ask(c->watch, token);
    return E_OK;
}

static int folder_next_event(struct camera *camera, struct camera_event *out, struct err *why)
{
    struct camera_folder *c = of(camera);
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

static void on_read(void *arg, uint8_t *bytes, size_t count, const struct err *why)
{
    struct camera_folder *c = arg;
    struct camera_event ev = {.kind = CAMERA_FETCHED,
                              .token = c->fetching_token,
                              .bytes = bytes,
                              .byte_count = (int64_t)count,
                              .object.bytes = (int64_t)count,
                              .object.role = store_role_by_name(c->fetching)};
    snprintf(ev.object.name, sizeof ev.object.name, "%.*s", (int)sizeof ev.object.name - 1, c->fetching);
    if (why) ev.why = *why;
    folder_push(c, &ev);
}

static bool belongs(const struct camera_folder *c, const struct folder_file *f, uint64_t token)
{
    if (f->use == FILE_TAKEN && f->token == token) return true;
    return token == c->remembered && c->memory_name[0] && folder_same_stem(f->name, c->memory_name) &&
           store_picture_by_name(f->name);
}

static int folder_fetch(struct camera *camera, uint64_t token, const struct camera_object *o, struct err *why)
{
    struct camera_folder *c = of(camera);
    for (int32_t i = 0; i < c->list.count; i++) {
        const struct folder_file *f = &c->list.files[i];
        if (!belongs(c, f, token) || strncmp(f->name, o->name, sizeof o->name - 1) != 0) continue;
        snprintf(c->fetching, sizeof c->fetching, "%s", f->name);
        c->fetching_token = token;
        return folder_look_read(c->look, f->name, why);
    }
    return fail(why, E_STATE, "folder: there is no %s any more", o->name);
}

/* Of an earlier run's trigger: by its name and size, where it had come so far. Without a name nobody can tell
 * what came for it and what came later; only that nothing came at all. */
static int32_t recount_remembered(struct camera_folder *c)
{
    int32_t since = 0, named = 0;
    const struct folder_file *first = folder_list_find(&c->list, c->memory_name);
    for (int32_t i = 0; i < c->list.count; i++) {
        const struct folder_file *f = &c->list.files[i];
        struct stat st;
        if (!store_picture_by_name(f->name)) continue;
        named += belongs(c, f, c->remembered);
        if (!fstatat(folder_watch_dir(c->watch), f->name, &st, 0))
            since += folder_watch_came_us(c->watch, f->name, &st) >= c->memory.triggered_wall_us;
    }
    if (c->memory_name[0]) return !first ? 0 : first->bytes == c->memory.object_bytes ? named : -1;
    return since ? -1 : 0;
}

static int folder_recount(struct camera *camera, uint64_t token, int32_t *objects_out, struct err *why)
{
    struct camera_folder *c = of(camera);
    int32_t n = 0;
    (void)why;
    look(c);
    for (int32_t i = 0; i < c->list.count; i++) {
        const struct folder_file *f = &c->list.files[i];
        const bool coming = token == c->token && f->use == FILE_NEW && store_picture_by_name(f->name);
        n += coming || (f->use == FILE_TAKEN && f->token == token);
    }
    if (token && token == c->token) folder_stop_waiting(c);
    const bool ours = token == c->base.last_token || n;
    *objects_out = ours ? n : token == c->remembered ? recount_remembered(c) : -1;
    return E_OK;
}

static int folder_held(struct camera *camera, uint64_t token, struct camera_object *out, int32_t most,
                       int32_t *count_out, struct err *why)
{
    struct camera_folder *c = of(camera);
    int32_t n = 0;
    (void)why;
    for (int32_t i = 0; i < c->list.count && n < most; i++) {
        const struct folder_file *f = &c->list.files[i];
        if (!belongs(c, f, token)) continue;
        out[n] = (struct camera_object){.role = store_role_by_name(f->name), .bytes = f->bytes};
        snprintf(out[n].name, sizeof out[n].name, "%.*s", (int)sizeof out[n].name - 1, f->name);
        n++;
    }
    *count_out = n;
    return E_OK;
}

static void folder_remind(struct camera *camera, uint64_t token, const struct camera_memory *m)
{
    struct camera_folder *c = of(camera);
    c->remembered = token;
    c->memory = *m;
    snprintf(c->memory_name, sizeof c->memory_name, "%s", m->object_name);
    c->memory.object_name = c->memory_name;
}

static void folder_close(struct camera *camera)
{
    struct camera_folder *c = of(camera);
    if (!c) return;
    if (c->late) sched_cancel(c->opts.sched, c->late);
    if (c->think) sched_cancel(c->opts.sched, c->think);
    folder_look_free(c->look);
    folder_watch_close(c->watch);
    folder_list_clear(&c->list);
    for (; c->event_count; c->event_count--, c->event_first = (c->event_first + 1) % EVENTS_MOST)
        mem_free(c->events[c->event_first].bytes);
    mem_free(c);
}

static const struct camera_ops FOLDER_OPS = {
    .name = "folder",
    .caps = CAMERA_RECOUNTS | CAMERA_OTHERS_FIRE,
    .describe = folder_describe,
    .set = folder_set,
    .arm = folder_arm,
    .trigger = folder_trigger,
    .next_event = folder_next_event,
    .fetch = folder_fetch,
    .recount = folder_recount,
    .close = folder_close,
    .held = folder_held,
    .remind = folder_remind,
};

int camera_folder_open(const struct camera_folder_opts *opts, struct camera **out, struct err *why)
{
    struct camera_folder *c = mem_new(1, sizeof *c, why);
    if (!c) return E_NOMEM;
    c->base.ops = &FOLDER_OPS;
    c->opts = *opts;
    c->captured_us = NO_TIME;
    int rc = folder_watch_open(opts->sched, opts->spec->folder, opts->eyes, on_seen, c, &c->watch, why);
    if (!rc) rc = folder_list_look(&c->list, c->watch, folder_now_us(c), why);
    if (!rc) rc = folder_look_new(opts->sched, c->watch, on_looked, on_read, c, &c->look, why);
    if (rc) {
        folder_close(&c->base);
        return rc;
    }
    leave_new_alone(c); /* what was there before */
    *out = &c->base;
    return E_OK;
}
