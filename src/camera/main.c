/* staddle-camera: one camera, in a program of its own, since the library that talks to it may hang or fall
 * over. It does what its parent says (device/camera_wire.h) and ends when the parent does. Not for people. */
#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include "base/mem.h"
#include "camera/body.h"
#include "camera/home.h"
#include "device/camera_wire.h"

#define EVENT_WAIT_MS 50
#define STRAYS_MOST   64
#define QUIET_US      200000  /* after the last object of a frame whose number of files is not known yet */
#define NONE_US       2000000 /* after 'complete' without any object */
#define ORPHAN_S      3       /* a library that hangs gets so long when the parent has gone */

struct program {
    struct camera_wire wire;
    struct body *body;
    bool firing, complete;
    int64_t expose_at_us;            /* the mirror is up, and the exposure follows then; 0: it is not */
    char first_path[BODY_PATH_ROOM]; /* of this frame */
    int64_t token;
    int32_t objects, usual; /* of this frame, of a frame; 0: not known */
    int64_t last_us;        /* when it last told something */
    char battery[BODY_TEXT_ROOM];
    int32_t losses; /* of the link, told so far */
    bool over;
};

static int64_t now_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

static void say(struct program *p, json_t *body, const void *payload, size_t count)
{
    if (camera_wire_send(&p->wire, body, payload, count, NULL)) p->over = true;
}

static json_t *reply(const char *to, int rc, const struct err *why)
{
    return json_pack("{s:s, s:i, s:s}", "re", to, "code", rc, "text", rc ? why->text : "");
}

/* ---- commands ---- */

static void do_open(struct program *p, const json_t *order)
{
    struct err why = {0};
    struct body_facts facts = {0};
    body_close(p->body);
    p->body = NULL;
    p->losses = 0;
    const int rc =
        body_open(camera_text(order, "port"), json_is_true(json_object_get(order, "ram")), &p->body, &why);
    if (!rc) body_describe(p->body, &facts);
    json_t *r = reply("open", rc, &why);
    json_object_set_new(r, "model", json_string(facts.model));
    json_object_set_new(r, "battery", json_string(facts.battery));
    say(p, r, NULL, 0);
}

static void do_set(struct program *p, const json_t *order)
{
    struct err why = {0};
    body_mirror_set(p->body, camera_whole(order, "mirror_up_us"));
    const int rc = body_set(p->body, camera_whole(order, "exposure_us"),
                            json_number_value(json_object_get(order, "f_number")),
                            json_number_value(json_object_get(order, "iso")), &why);
    say(p, reply("set", rc, &why), NULL, 0);
}

static int add_path(void *arg, const char *path)
{
    return json_array_append_new(arg, json_string(path)) ? E_NOMEM : E_OK;
}

static void do_list(struct program *p)
{
    struct err why = {0};
    json_t *files = json_array();
    const int rc = body_list(p->body, add_path, files, &why);
    json_t *r = reply("list", rc, &why);
    json_object_set_new(r, "files", files);
    p->firing = false; /* whatever was under way is in the list, or is not */
    p->expose_at_us = 0;
    say(p, r, NULL, 0);
}

static void do_size(struct program *p, const json_t *order)
{
    struct err why = {0};
    int64_t bytes = 0;
    const int rc = body_size(p->body, camera_text(order, "path"), &bytes, &why);
    json_t *r = reply("size", rc, &why);
    json_object_set_new(r, "bytes", json_integer(bytes));
    say(p, r, NULL, 0);
}

static void do_preview(struct program *p)
{
    struct err why = {0};
    uint8_t *jpeg = NULL;
    int64_t count = 0;
    const int rc = body_preview(p->body, &jpeg, &count, &why);
    say(p, reply("preview", rc, &why), jpeg, (size_t)count);
    mem_free(jpeg);
}

static void do_tell(struct program *p)
{
    struct err why = {0};
    json_t *told = json_object();
    const int rc = body_tell(p->body, told, &why);
    json_t *r = reply("tell", rc, &why);
    json_object_update(r, told);
    json_decref(told);
    say(p, r, NULL, 0);
}

static void do_turn(struct program *p, const json_t *order)
{
    struct err why = {0};
    const int rc = body_turn(p->body, camera_text(order, "setting"), camera_text(order, "word"), &why);
    say(p, reply("turn", rc, &why), NULL, 0);
}

/* Also whoever looks whether it is there again asks this, and takes nothing for granted. */
static void do_lens(struct program *p)
{
    struct lens_kind kind = {0};
    struct err why = {0};
    int rc = E_OK;
    if (!body_doubted(p->body)) body_lens(p->body, &kind);
    if (kind.order_most == 0 && !(rc = body_reopen(p->body, &why))) body_lens(p->body, &kind);
    p->losses = body_losses(p->body);
    json_t *r = reply("lens", rc, &why);
    json_object_set_new(r, "order_most", json_integer(kind.order_most));
    json_object_set_new(r, "sizes", json_integer(kind.sizes));
    say(p, r, NULL, 0);
}

static void do_drive(struct program *p, const json_t *order)
{
    struct err why = {0};
    int64_t took_us;
    const enum lens_result result =
        body_drive(p->body, (int32_t)camera_whole(order, "order"), &took_us, &why);
    json_t *r = reply("drive", why.code, &why);
    json_object_set_new(r, "result", json_integer(result));
    json_object_set_new(r, "took_us", json_integer(took_us));
    say(p, r, NULL, 0);
}

static void failed(struct program *p, const struct err *why)
{
    p->firing = false;
    p->expose_at_us = 0;
    say(p,
        json_pack("{s:s, s:I, s:i, s:s}", "event", "failed", "token", (json_int_t)p->token, "code",
                  (int)why->code, "text", why->text),
        NULL, 0);
}

/* What still waits to be told belongs to something that was given up, or to nobody: a frame of it must not
 * pass for the one that comes now. */
static void put_aside(struct program *p)
{
    struct body_event e;
    for (int i = 0; i < STRAYS_MOST; i++) {
        if (body_event(p->body, 1, &e, NULL) || e.kind == BODY_NOTHING) return;
        if (e.kind == BODY_OBJECT) say(p, json_pack("{s:s, s:s}", "event", "stray", "path", e.path), NULL, 0);
    }
}

static void do_trigger(struct program *p, const json_t *order)
{
    struct err why = {0};
    p->token = camera_whole(order, "token");
    p->complete = false;
    p->objects = 0;
    p->first_path[0] = '\0';
    put_aside(p);
    const int64_t mirror_up_us = body_mirror_up_us(p->body);
    if (mirror_up_us ? body_mirror_raise(p->body, &why) : body_trigger(p->body, &why)) {
        failed(p, &why);
        return;
    }
    p->firing = true;
    p->last_us = now_us();
    p->expose_at_us = mirror_up_us ? p->last_us + mirror_up_us : 0;
}

/* A small question, at the one moment when the camera has nothing to do. */
static void tell_battery(struct program *p)
{
    char level[BODY_TEXT_ROOM];
    body_battery(p->body, level);
    if (!level[0] || !strcmp(level, p->battery)) return;
    snprintf(p->battery, sizeof p->battery, "%s", level);
    say(p, json_pack("{s:s, s:s}", "event", "battery", "level", p->battery), NULL, 0);
}

static void do_fetch(struct program *p, const json_t *order)
{
    struct err why = {0};
    uint8_t *bytes = NULL;
    int64_t count = 0;
    const int rc = body_fetch(p->body, camera_text(order, "path"), &bytes, &count, &why);
    json_t *r = json_pack("{s:s, s:I, s:s, s:i, s:s}", "event", "fetched", "token",
                          (json_int_t)camera_whole(order, "token"), "path", camera_text(order, "path"),
                          "code", rc, "text", rc ? why.text : "");
    if (!body_is_open(p->body)) json_object_set_new(r, "gone", json_true());
    say(p, r, bytes, (size_t)count);
    mem_free(bytes);
    if (!rc) tell_battery(p);
}

static void tell_losses(struct program *p)
{
    if (!p->body || body_losses(p->body) == p->losses) return;
    p->losses = body_losses(p->body);
    say(p, json_pack("{s:s}", "event", "lost"), NULL, 0);
}

static void obey(struct program *p, const json_t *order)
{
    const char *what = camera_text(order, "do");
    if (!strcmp(what, "close"))
        p->over = true;
    else if (!strcmp(what, "open"))
        do_open(p, order);
    else if (!p->body)
        say(p, reply(what, E_STATE, &(struct err){E_STATE, "no camera is open"}), NULL, 0);
    else if (!strcmp(what, "set"))
        do_set(p, order);
    else if (!strcmp(what, "list"))
        do_list(p);
    else if (!strcmp(what, "size"))
        do_size(p, order);
    else if (!strcmp(what, "preview"))
        do_preview(p);
    else if (!strcmp(what, "tell"))
        do_tell(p);
    else if (!strcmp(what, "turn"))
        do_turn(p, order);
    else if (!strcmp(what, "lens"))
        do_lens(p);
    else if (!strcmp(what, "drive"))
        do_drive(p, order);
    else if (!strcmp(what, "trigger"))
        do_trigger(p, order);
    else if (!strcmp(what, "fetch"))
        do_fetch(p, order);
}

/* ---- what the camera tells while it exposes ---- */

static void tell_object(struct program *p, const char *path)
{
    int64_t bytes = 0;
    struct err why = {0};
    if (body_size(p->body, path, &bytes, &why)) bytes = 0; /* not told: the transfer will say */
    if (!p->objects++) snprintf(p->first_path, sizeof p->first_path, "%s", path);
    say(p,
        json_pack("{s:s, s:I, s:s, s:I}", "event", "object", "token", (json_int_t)p->token, "path", path,
                  "bytes", (json_int_t)bytes),
        NULL, 0);
}

/* Objects and 'complete' come in any order, and nothing says how many objects there will be: the first frame
 * tells by a silence. */
static bool frame_is_whole(const struct program *p)
{
    const int64_t silent_us = now_us() - p->last_us;
    if (!p->complete) return false;
    if (p->objects && p->objects == p->usual) return true;
    return silent_us > (p->objects ? QUIET_US : NONE_US);
}

static bool same_ending(const char *path, const char *other)
{
    const char *dot = strrchr(path, '.'), *its = strrchr(other, '.');
    return dot && its && !strcmp(dot, its);
}

/* A picture where none, or only one, can be: the body does not wait with its mirror up, or it was up before.
 */
static void exposed_too_early(struct program *p, const char *path)
{
    struct err why;
    say(p, json_pack("{s:s, s:s}", "event", "stray", "path", path), NULL, 0);
    fail(&why, E_TIMEOUT,
         "camera: the first press made a picture; set mirror-up at the camera, or leave camera.mirror_up_s "
         "out");
    failed(p, &why);
}

static void expose(struct program *p)
{
    struct err why = {0};
    p->expose_at_us = 0;
    if (body_trigger(p->body, &why)) failed(p, &why);
    p->last_us = now_us();
}

static void wait_with_mirror_up(struct program *p)
{
    struct err why = {0};
    struct body_event e = {.kind = BODY_NOTHING};
    const int64_t left_ms = (p->expose_at_us - now_us()) / 1000;
    if (left_ms <= 0)
        expose(p);
    else if (body_event(p->body, left_ms < EVENT_WAIT_MS ? (int)left_ms : EVENT_WAIT_MS, &e, &why))
        failed(p, &why);
    else if (e.kind == BODY_OBJECT)
        exposed_too_early(p, e.path);
}

static void listen_to_camera(struct program *p)
{
    struct err why = {0};
    struct body_event e;
    if (p->expose_at_us) {
        wait_with_mirror_up(p);
        return;
    }
    if (body_event(p->body, EVENT_WAIT_MS, &e, &why)) {
        failed(p, &why);
        return;
    }
    if (e.kind == BODY_OBJECT && body_mirror_up_us(p->body) && same_ending(e.path, p->first_path)) {
        exposed_too_early(p, e.path);
        return;
    }
    if (e.kind == BODY_OBJECT) tell_object(p, e.path);
    if (e.kind == BODY_OBJECT || e.kind == BODY_COMPLETE) p->last_us = now_us(); /* asking takes its time */
    if (e.kind == BODY_COMPLETE) p->complete = true;
    if (!frame_is_whole(p)) return;
    if (p->objects) p->usual = p->objects;
    p->firing = false;
    say(p, json_pack("{s:s, s:I}", "event", "complete", "token", (json_int_t)p->token), NULL, 0);
}

/* ---- the program ---- */

static void *watch_parent(void *arg)
{
    struct pollfd p = {.fd = CAMERA_WIRE_FD};
    (void)arg;
    while (poll(&p, 1, -1) < 0 && errno == EINTR) {
    }
    sleep(ORPHAN_S);
    _exit(0);
}

static void listen_to_parent(struct program *p)
{
    struct camera_message m = {0};
    struct err why = {0};
    if (camera_wire_read(&p->wire, &why)) {
        p->over = true;
        return;
    }
    while (!p->over && camera_wire_take(&p->wire, &m, &why)) {
        obey(p, m.body);
        tell_losses(p);
        camera_message_clear(&m);
    }
    if (why.code) p->over = true;
}

int main(void)
{
    struct program p = {.wire.fd = CAMERA_WIRE_FD};
    pthread_t watcher;
    int type;
    socklen_t size = sizeof type;
    if (getsockopt(CAMERA_WIRE_FD, SOL_SOCKET, SO_TYPE, &type, &size)) {
        fprintf(stderr, "staddle-camera is started by staddle; it does nothing alone\n");
        return 2;
    }
    signal(SIGPIPE, SIG_IGN);
    home_of_our_own();
    if (pthread_create(&watcher, NULL, watch_parent, NULL)) return 5;
    while (!p.over) {
        struct pollfd fd = {.fd = CAMERA_WIRE_FD, .events = POLLIN};
        if (poll(&fd, 1, p.firing ? 0 : -1) > 0) listen_to_parent(&p);
        if (!p.over && p.firing) listen_to_camera(&p);
    }
    body_close(p.body);
    camera_wire_clear(&p.wire);
    return 0;
}
