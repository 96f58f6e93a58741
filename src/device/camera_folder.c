#include "device/camera_folder.h"

#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "device/folder_list.h"
#include "device/folder_look.h"
#include "store/store.h"

/* All of them our choice, no source. */
#define QUIET_US 300000 /* nothing has changed in a file for so long */
#define UNCLOSED_US                                                                                          \
    2000000                   /* the same where nobody has said that it was closed: a card reader, a network \
                               */
#define BROKEN_US    5000000  /* still no whole picture, and nothing changes any more */
#define MATE_US      10000000 /* the raw is there, and its JPEG is not, or the other way round */
#define SOON_US      20000    /* after something has happened: more is about to */
#define LOOK_US      500000   /* where nothing tells of files (network folders), it is looked for them */
#define DOUBLE_US    1000000  /* after a frame is seen: a second one in that time makes it none */
#define CLOCK_US     1000000  /* of a camera that writes whole seconds */
#define FRACTION_US  100000   /* of one that writes parts of them */
#define CLOCK_SET_US 600000000 /* farther back than that, somebody has set the camera's clock */
#define NO_TIME      INT64_MIN
#define EVENTS_MOST  16

struct camera_folder {
    struct camera base;
    struct camera_folder_opts opts;
    struct folder_watch *watch;
    struct folder_list list;
    struct folder_look *look; /* decodes, on a thread of its own */
    uint64_t token;           /* waited for; 0: none */
    int64_t asked_us, first_whole_us;
    sched_id late, think; /* the end of patience; the next look, */
    int64_t think_us;     /* and when that is */
    uint64_t remembered;  /* of an earlier run */
    struct camera_memory memory;
    char memory_name[256];
    /* the last frame: when it was first seen, by its own clock, and its pixels in short */
    int64_t came_us, captured_us;
    uint64_t picture;
    char last_name[256];
    int64_t new_captured_us; /* of what comes now */
    uint64_t new_picture;
    char fetching[256];
    uint64_t fetching_token;
    bool gone, told_size, told_other;
    struct camera_event events[EVENTS_MOST];
    int event_first, event_count;
};

static int64_t now_us(const struct camera_folder *c)
{
    return sched_now_us(c->opts.sched);
}

/* ---- events */

static void push(struct camera_folder *c, const struct camera_event *ev)
{
    if (c->event_count == EVENTS_MOST) { /* remarks are let go, the rest is never so much */
        mem_free(ev->bytes);
        return;
    }
    struct camera_event *slot = &c->events[(c->event_first + c->event_count++) % EVENTS_MOST];
    *slot = *ev;
    slot->at_us = now_us(c);
    if (c->base.notice) c->base.notice(c->base.notice_arg);
}

static void say(const struct camera_folder *c, const char *sentence)
{
    const struct person *p = c->opts.person;
    if (p && p->tell) p->tell(p->arg, sentence);
}

/* For the person at once, and for the record. */
static void remark(struct camera_folder *c, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void remark(struct camera_folder *c, const char *format, ...)
{
    struct camera_event ev = {.kind = CAMERA_REMARK, .token = c->token, .why = {.code = E_INPUT}};
    va_list ap;
    va_start(ap, format);
    vsnprintf(ev.why.text, sizeof ev.why.text, format, ap);
    va_end(ap);
    say(c, ev.why.text);
    if (c->event_count < EVENTS_MOST - 8) push(c, &ev);
}

/* What came and was not made a frame of stays what it is: not the next one's. */
static void leave_new_alone(struct camera_folder *c)
{
    for (int32_t i = 0; i < c->list.count; i++)
        if (c->list.files[i].use == FILE_NEW) c->list.files[i].use = FILE_PAST;
}

static void stop_waiting(struct camera_folder *c)
{
    if (c->late) sched_cancel(c->opts.sched, c->late);
    c->late = 0;
    c->token = 0;
    c->first_whole_us = 0;
    leave_new_alone(c);
}

static void give_up(struct camera_folder *c, enum errc code, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
static void give_up(struct camera_folder *c, enum errc code, const char *format, ...)
{
    struct camera_event ev = {.kind = CAMERA_FAILED, .token = c->token, .why = {.code = code}};
    va_list ap;
    va_start(ap, format);
    vsnprintf(ev.why.text, sizeof ev.why.text, format, ap);
    va_end(ap);
    say(c, ev.why.text);
    stop_waiting(c);
    push(c, &ev);
}

static void vanished(struct camera_folder *c)
{
    struct camera_event ev = {.kind = CAMERA_GONE, .token = c->token};
    if (c->gone) return;
    c->gone = true;
    fail(&ev.why, E_IO, "the folder that the frames come into is gone: %.300s; is its disk or card there?",
         c->opts.spec->folder);
    stop_waiting(c);
    if (c->think) sched_cancel(c->opts.sched, c->think);
    c->think = 0;
    push(c, &ev);
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
    if (folder_watch_there(c->watch) && !folder_list_look(&c->list, c->watch, now_us(c), &why)) return true;
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
        f->changed_us = now_us(c);
    } else if (f && what == FOLDER_CLOSED) {
        f->open = false;
        f->closed = true;
        if (f->whole == WHOLE_NO) f->whole = WHOLE_UNKNOWN;
    }
    think_at(c, now_us(c) + SOON_US);
}

/* ---- what came while nothing was waited for */

static void tell_strays(struct camera_folder *c)
{
    for (int32_t i = 0; i < c->list.count; i++) {
        struct folder_file *f = &c->list.files[i];
        if (f->use != FILE_NEW) continue;
        f->use = FILE_PAST;
        if (f->told || f->again || !store_picture_by_name(f->name)) continue; /* again: its program tags it */
        f->told = true;
        remark(c, "%.80s came while no frame was waited for; it is left where it is", f->name);
    }
}

/* ---- what came for the frame that is waited for */

static bool is_mate_of_last(const struct camera_folder *c, const struct folder_file *f)
{
    for (int32_t i = 0; i < c->list.count; i++)
        if (c->list.files[i].use == FILE_TAKEN && folder_same_stem(c->list.files[i].name, f->name) &&
            strcmp(c->list.files[i].name, f->name) != 0)
            return true;
    return false;
}

/* A file that was here before and was written to once more. A program that writes every frame to one name
 * comes again with the name of the frame before; anything else is an old picture that somebody touched. */
static bool is_touched(const struct camera_folder *c, const struct folder_file *f)
{
    return f->again && !folder_same_stem(f->name, c->last_name);
}

static void set_aside(struct camera_folder *c, struct folder_file *f)
{
    if (is_touched(c, f)) {
        f->use = FILE_PAST;
        remark(c, "%.80s was here before and has been written to; it is no frame of this run", f->name);
    } else if (!store_picture_by_name(f->name)) {
        f->use = FILE_PAST;
        if (!c->told_other) remark(c, "%.80s is no picture by its name; such files are left alone", f->name);
        c->told_other = true;
    } else {
        f->use = FILE_PAST;
        remark(c,
               "%.80s came after its frame was taken; it is left where it is (camera.raw_and_jpeg waits for "
               "both)",
               f->name);
    }
}

static bool at_rest(const struct camera_folder *c, const struct folder_file *f)
{
    const bool by_itself =
        store_role_by_name(f->name) == FILE_JPEG; /* its content tells whether it is whole */
    const int64_t still = now_us(c) - f->changed_us;
    return !f->open && f->bytes > 0 && still >= (f->closed || by_itself ? QUIET_US : UNCLOSED_US);
}

static void check(struct camera_folder *c, struct folder_file *f)
{
    struct err why;
    if (f->whole != WHOLE_UNKNOWN || !at_rest(c, f) || folder_look_busy(c->look)) return;
    if (folder_look_start(c->look, f->name, &why))
        give_up(c, why.code, "%s", why.text);
    else
        f->whole = WHOLE_ASKED;
}

/* Taken before it was asked for, by the camera's own clock? The frame before was exposed before it came here,
 * so between the two lies at least the time from then to the asking. */
static bool is_too_old(const struct camera_folder *c, const struct folder_file *f,
                       const struct folder_seen *s)
{
    if (s->captured_us == NO_TIME || c->captured_us == NO_TIME) return false;
    const int64_t since_us = s->captured_us - c->captured_us;
    const bool fraction = s->captured_us % 1000000 || c->captured_us % 1000000;
    const int64_t least_us = c->asked_us - c->came_us - (fraction ? FRACTION_US : CLOCK_US);
    return since_us > -CLOCK_SET_US && (since_us < least_us || (f->again && since_us <= 0));
}

static bool refuse(struct camera_folder *c, struct folder_file *f, const struct folder_seen *s)
{
    if (c->picture && s->picture == c->picture) {
        f->use = FILE_PAST;
        if (strcmp(f->name, c->last_name) != 0)
            remark(c, "%.80s is the picture of the frame before once more; it is left where it is", f->name);
        return true;
    }
    if (!is_too_old(c, f, s)) return false;
    f->use = FILE_PAST;
    remark(c, "%.80s was taken before it was asked for, by the camera's own clock; it is left where it is",
           f->name);
    return true;
}

static void say_size(struct camera_folder *c, const struct folder_file *f, const struct folder_seen *s)
{
    const struct camera_spec *spec = c->opts.spec;
    const bool turned = s->width_px == spec->height_px && s->height_px == spec->width_px;
    const bool same = s->width_px == spec->width_px && s->height_px == spec->height_px;
    if (same || turned || s->reduced || c->told_size) return;
    c->told_size = true;
    remark(c, "%.80s has %d x %d pixels, and the bench file says %d x %d", f->name, (int)s->width_px,
           (int)s->height_px, (int)spec->width_px, (int)spec->height_px);
}

static void on_looked(void *arg, const struct folder_seen *s)
{
    struct camera_folder *c = arg;
    struct folder_file *f = look(c) ? folder_list_find(&c->list, s->name) : NULL;
    think_at(c, now_us(c));
    if (!f || f->use != FILE_NEW || f->whole != WHOLE_ASKED) return; /* gone, changed, or not waited for */
    f->whole = s->why.code ? WHOLE_NO : WHOLE_YES;
    f->bad = s->why;
    if (f->whole == WHOLE_NO || refuse(c, f, s)) return;
    say_size(c, f, s);
    if (!c->first_whole_us) c->first_whole_us = now_us(c);
    c->new_captured_us = s->captured_us;
    c->new_picture = s->picture;
    folder_look_keep(c->look);
}

static bool has_both(const struct camera_folder *c, const char *name)
{
    bool raw = false, other = false;
    for (int32_t i = 0; i < c->list.count; i++) {
        const struct folder_file *f = &c->list.files[i];
        if (f->use != FILE_NEW || !folder_same_stem(f->name, name)) continue;
        if (store_role_by_name(f->name) == FILE_RAW)
            raw = true;
        else
            other = true;
    }
    return raw && other;
}

static void hand_out(struct camera_folder *c, struct folder_file *first)
{
    const uint64_t token = c->token;
    int64_t came_us = first->came_us;
    int given = 0;
    for (int32_t i = 0; i < c->list.count; i++) {
        struct folder_file *f = &c->list.files[i];
        if (f->use != FILE_NEW || !folder_same_stem(f->name, first->name) || given == FRAME_FILES_MOST)
            continue;
        struct camera_event ev = {.kind = CAMERA_OBJECT, .token = token};
        ev.object.role = store_role_by_name(f->name);
        ev.object.bytes = f->bytes;
        snprintf(ev.object.name, sizeof ev.object.name, "%.*s", (int)sizeof ev.object.name - 1, f->name);
        f->use = FILE_TAKEN;
        f->token = token;
        if (f->came_us < came_us) came_us = f->came_us;
        given++;
        push(c, &ev);
    }
    c->captured_us = c->new_captured_us;
    c->picture = c->new_picture;
    snprintf(c->last_name, sizeof c->last_name, "%s", first->name);
    c->came_us = came_us;
    stop_waiting(c);
    push(c, &(struct camera_event){.kind = CAMERA_COMPLETE, .token = token});
}

struct coming {
    struct folder_file *first, *other; /* of the first stem, and of another one */
    struct folder_file *bad;
    bool all_whole;
};

static struct coming what_comes(struct camera_folder *c)
{
    struct coming w = {.all_whole = true};
    for (int32_t i = 0; i < c->list.count; i++) {
        struct folder_file *f = &c->list.files[i];
        if (f->use == FILE_NEW && is_touched(c, f)) {
            set_aside(c, f);
            continue;
        }
        if (f->use == FILE_NEW && f->bytes > 0 &&
            (!store_picture_by_name(f->name) || is_mate_of_last(c, f))) {
            if (at_rest(c, f)) set_aside(c, f);
            continue;
        }
        if (f->use != FILE_NEW) continue;
        if (!w.first) w.first = f;
        if (!folder_same_stem(w.first->name, f->name)) w.other = f;
        if (f->whole == WHOLE_NO && now_us(c) - f->changed_us >= BROKEN_US) w.bad = f;
        w.all_whole = w.all_whole && f->whole == WHOLE_YES;
    }
    return w;
}

/* The one place where it is decided what becomes of the files. */
static void decide(struct camera_folder *c)
{
    const struct coming w = what_comes(c);
    const bool both = c->opts.spec->raw_and_jpeg;
    if (w.bad)
        give_up(c, E_INPUT, "%.80s came, and is no whole picture: %.250s", w.bad->name, w.bad->bad.text);
    else if (w.other && c->first_whole_us)
        give_up(
            c, E_INPUT,
            "two frames came for one, %.80s and %.80s, and nobody can say which is the right one; take one",
            w.first->name, w.other->name);
    else if (w.first && now_us(c) - w.first->came_us < DOUBLE_US)
        return;
    else if (w.first && w.all_whole && (!both || has_both(c, w.first->name)))
        hand_out(c, w.first);
    else if (w.first && w.all_whole && now_us(c) - c->first_whole_us >= MATE_US) {
        remark(c, "%.80s came without its %s", w.first->name,
               store_role_by_name(w.first->name) == FILE_RAW ? "JPEG" : "raw");
        hand_out(c, w.first);
    }
}

static void think(void *arg)
{
    struct camera_folder *c = arg;
    c->think = 0;
    if (!look(c)) return;
    if (!c->token) {
        tell_strays(c);
        return;
    }
    for (int32_t i = 0; i < c->list.count && c->token; i++)
        if (c->list.files[i].use == FILE_NEW && store_picture_by_name(c->list.files[i].name))
            check(c, &c->list.files[i]);
    if (c->token) decide(c);
    if (c->token) think_at(c, now_us(c) + (what_comes(c).first ? QUIET_US / 3 : LOOK_US));
}

static void on_late(void *arg)
{
    struct camera_folder *c = arg;
    c->late = 0;
    if (!look(c)) return;
    const struct coming w = what_comes(c);
    const double s = (double)(now_us(c) - c->asked_us) / 1e6;
    if (w.first)
        give_up(c, E_TIMEOUT, "%.80s came and was not whole %.0f s after the frame was asked for",
                w.first->name, s);
    else
        give_up(c, E_TIMEOUT,
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
    tell_strays(c);
    folder_look_forget(c->look);
    c->token = token;
    c->asked_us = now_us(c);
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
    push(c, &ev);
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
    if (token && token == c->token) stop_waiting(c);
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
    if (!rc) rc = folder_list_look(&c->list, c->watch, now_us(c), why);
    if (!rc) rc = folder_look_new(opts->sched, c->watch, on_looked, on_read, c, &c->look, why);
    if (rc) {
        folder_close(&c->base);
        return rc;
    }
    leave_new_alone(c); /* what was there before */
    *out = &c->base;
    return E_OK;
}
