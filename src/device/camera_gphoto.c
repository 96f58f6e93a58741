#include "device/camera_gphoto_part.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include "base/mem.h"
#include "device/camera_ask.h"
#include "device/camera_lock.h"
#include "device/camera_wire.h"
#include "device/usb.h"

#define OPEN_US             30000000
#define SILENCE_US          20000000
#define SILENCE_IP_US       6000000 /* over a network the library gives up a read after 2.5 s */
#define SLOWEST_BYTES_PER_S 500000  /* of a transfer; our choice */
#define RESTARTS_MOST       3       /* in a row */

extern char **environ;

/* ---- the program ---- */

static void end_program(struct camera_gphoto *c)
{
    if (c->pid <= 0) return;
    if (c->opts.sched && c->wire.fd >= 0) sched_unwatch(c->opts.sched, c->wire.fd);
    close(c->wire.fd);
    camera_wire_clear(&c->wire);
    kill(c->pid, SIGKILL);
    while (waitpid(c->pid, NULL, 0) < 0 && errno == EINTR) {
    }
    c->pid = 0;
}

static int spawn(struct camera_gphoto *c, int far_end, struct err *why)
{
    posix_spawn_file_actions_t files;
    posix_spawnattr_t attr;
    char *argv[] = {(char *)"staddle-camera", NULL};
    posix_spawn_file_actions_init(&files);
    posix_spawnattr_init(&attr);
    posix_spawn_file_actions_addopen(&files, 0, "/dev/null", O_RDONLY, 0);
    posix_spawn_file_actions_adddup2(&files, 2, 1);
    posix_spawn_file_actions_adddup2(&files, far_end, CAMERA_WIRE_FD);
    posix_spawn_file_actions_addclosefrom_np(&files, CAMERA_WIRE_FD + 1);
    posix_spawnattr_setflags(&attr, POSIX_SPAWN_SETPGROUP); /* the terminal's Ctrl-C is ours alone */
    posix_spawnattr_setpgroup(&attr, 0);
    errno = posix_spawn(&c->pid, c->program, &files, &attr, argv, environ);
    posix_spawnattr_destroy(&attr);
    posix_spawn_file_actions_destroy(&files);
    if (!errno) return E_OK;
    c->pid = 0;
    return fail_errno(why, E_IO, "%.300s cannot be started; install the program whole", c->program);
}

static void on_readable(void *arg);

static int start_program(struct camera_gphoto *c, struct err *why)
{
    int ends[2];
    if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends))
        return fail_errno(why, E_IO, "no socket for the camera program");
    int rc = spawn(c, ends[1], why);
    close(ends[1]);
    if (rc) {
        close(ends[0]);
        return rc;
    }
    c->wire.fd = ends[0];
    rc = sched_watch(c->opts.sched, ends[0], on_readable, c, why);
    if (rc) end_program(c);
    return rc;
}

/* ---- asking, and waiting for the answer: between exposures and after faults only ---- */

static int64_t clock_us(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

/* Takes what has come; true when the answer is among it. */
static bool take_answer(struct camera_gphoto *c, const char *re, struct camera_message *out, struct err *why)
{
    struct camera_message m = {0};
    while (camera_wire_take(&c->wire, &m, why)) {
        if (!strcmp(camera_text(m.body, "re"), re)) {
            *out = m;
            return true;
        }
        gphoto_hear(c, &m);
        camera_message_clear(&m);
    }
    return false;
}

static int await(struct camera_gphoto *c, const char *re, int64_t most_us, struct camera_message *out,
                 struct err *why)
{
    const int64_t until_us = clock_us() + most_us;
    struct err broken = {0};
    for (;;) {
        const int64_t left_us = until_us - clock_us();
        if (left_us <= 0) return fail(why, E_TIMEOUT, "camera: it has not answered to '%s'", re);
        struct pollfd p = {.fd = c->wire.fd, .events = POLLIN};
        if (poll(&p, 1, (int)(left_us / 1000) + 1) <= 0) continue;
        int rc = camera_wire_read(&c->wire, why);
        if (rc) return rc;
        if (take_answer(c, re, out, &broken)) break;
        if (broken.code) return fail(why, broken.code, "%s", broken.text);
    }
    const enum errc code = (enum errc)camera_whole(out->body, "code");
    if (!code) return E_OK;
    err_say(why, code, "%s", camera_text(out->body, "text"));
    camera_message_clear(out);
    return code;
}

static int ask(struct camera_gphoto *c, json_t *order, int64_t most_us, struct camera_message *out,
               struct err *why)
{
    char re[16];
    snprintf(re, sizeof re, "%s", camera_text(order, "do"));
    int rc = camera_wire_send(&c->wire, order, NULL, 0, why);
    return rc ? rc : await(c, re, most_us, out, why);
}

int camera_gphoto_ask(struct camera *camera, json_t *order, int64_t most_us, struct camera_message *out,
                      struct err *why)
{
    return ask((struct camera_gphoto *)camera, order, most_us, out, why);
}

int64_t camera_gphoto_wall_us(const struct camera *camera)
{
    return sched_wall_us(((const struct camera_gphoto *)camera)->opts.sched);
}

static int ask_settings(struct camera_gphoto *c, struct err *why)
{
    struct camera_message m = {0};
    json_t *order = json_pack("{s:s, s:I, s:f, s:f, s:I}", "do", "set", "exposure_us",
                              (json_int_t)c->settings.exposure_us, "f_number", c->settings.f_number, "iso",
                              c->settings.iso, "mirror_up_us", (json_int_t)c->opts.spec->mirror_up_us);
    int rc = ask(c, order, ANSWER_US, &m, why);
    if (!rc) camera_message_clear(&m);
    return rc;
}

/* A new program with the camera open and set. */
static int begin(struct camera_gphoto *c, struct err *why)
{
    struct camera_message m = {0};
    char port[PATH_ROOM];
    int rc = usb_camera_port(c->port, port, sizeof port, why);
    if (!rc) rc = start_program(c, why);
    if (rc) return rc;
    rc = ask(c, json_pack("{s:s, s:s, s:b}", "do", "open", "port", port, "ram", gphoto_uses_ram(c)), OPEN_US,
             &m, why);
    if (!rc) {
        snprintf(c->model, sizeof c->model, "%s", camera_text(m.body, "model"));
        camera_message_clear(&m);
        c->epoch++;
        if (c->is_set) rc = ask_settings(c, why);
    }
    if (rc) end_program(c);
    return rc;
}

/* The program hangs or is gone. Of an exposure under way the card will tell. */
int gphoto_replace(struct camera_gphoto *c, const struct err *reason, struct err *why)
{
    struct err inner = {0};
    gphoto_rest(c);
    end_program(c);
    int rc = c->restarts++ < RESTARTS_MOST ? begin(c, &inner) : fail(&inner, E_IO, "%s", reason->text);
    if (rc) {
        gphoto_push_gone(c, &inner);
        return fail(why, rc, "%s", inner.text);
    }
    if (c->fetching) gphoto_push_unfetched(c, reason);
    if (c->exposing) gphoto_ask_afterwards(c, reason, gphoto_exposing_us(c) + AFTERWARDS_US);
    gphoto_lens_lost(c, reason);
    return E_OK;
}

static void on_silence(void *arg)
{
    struct camera_gphoto *c = arg;
    struct err why;
    c->watchdog = 0;
    fail(&why, E_TIMEOUT, "camera: it has not been heard of for long; its program was started again");
    gphoto_replace(c, &why, NULL);
}

static void watch(struct camera_gphoto *c, int64_t for_us)
{
    gphoto_rest(c);
    c->watchdog = sched_at(c->opts.sched, sched_now_us(c->opts.sched) + for_us, on_silence, c);
}

static void on_lens_silence(void *arg)
{
    struct camera_gphoto *c = arg;
    c->lens_watchdog = 0;
    on_silence(c);
}

static void on_readable(void *arg)
{
    struct camera_gphoto *c = arg;
    struct camera_message m = {0};
    struct err why = {0};
    if (!camera_wire_read(&c->wire, &why))
        while (camera_wire_take(&c->wire, &m, &why)) {
            gphoto_hear(c, &m);
            camera_message_clear(&m);
        }
    if (why.code) gphoto_replace(c, &why, NULL);
}

/* ---- the contract ---- */

static int gphoto_describe(struct camera *camera, struct camera_facts *out, struct err *why)
{
    const struct camera_gphoto *c = (struct camera_gphoto *)camera;
    (void)why;
    *out = (struct camera_facts){.width_px = c->opts.spec->width_px,
                                 .height_px = c->opts.spec->height_px,
                                 .epoch = c->epoch,
                                 .wait_us = c->opts.spec->mirror_up_us};
    snprintf(out->model, sizeof out->model, "%s", c->model);
    return E_OK;
}

static int gphoto_set(struct camera *camera, const struct camera_settings *s, struct err *why)
{
    struct camera_gphoto *c = (struct camera_gphoto *)camera;
    const struct camera_settings before = c->settings;
    c->settings = *s;
    int rc = ask_settings(c, why);
    if (rc) c->settings = before;
    c->is_set = c->is_set || !rc;
    return rc;
}

static int gphoto_trigger(struct camera *camera, uint64_t token, struct err *why)
{
    struct camera_gphoto *c = (struct camera_gphoto *)camera;
    if (c->driving) return fail(why, E_STATE, "camera: not while its lens moves");
    int rc = camera_wire_send(&c->wire, json_pack("{s:s, s:I}", "do", "trigger", "token", (json_int_t)token),
                              NULL, 0, why);
    if (rc) return rc;
    c->exposing = token;
    c->found_count = c->told_count = 0;
    c->recounted = 0;
    if (gphoto_uses_ram(c)) gphoto_forget_known(c);
    watch(c, gphoto_exposing_us(c) + c->opts.silence_us);
    return E_OK;
}

static int gphoto_next_event(struct camera *camera, struct camera_event *out, struct err *why)
{
    struct camera_gphoto *c = (struct camera_gphoto *)camera;
    (void)why;
    if (!c->event_count) return E_OK; /* out is NOTHING */
    *out = c->events[c->event_first];
    c->event_first = (c->event_first + 1) % EVENTS_MOST;
    c->event_count--;
    return E_OK;
}

static int64_t transfer_us(const struct camera_gphoto *c)
{
    return c->opts.silence_us + c->wanted.bytes * 1000000 / SLOWEST_BYTES_PER_S;
}

static int gphoto_fetch(struct camera *camera, uint64_t token, const struct camera_object *o, struct err *why)
{
    struct camera_gphoto *c = (struct camera_gphoto *)camera;
    if (!gphoto_is_known(c, o->name))
        return fail(why, E_STATE, "%s: holds no %s", c->base.ops->name, o->name);
    int rc = camera_wire_send(
        &c->wire, json_pack("{s:s, s:I, s:s}", "do", "fetch", "token", (json_int_t)token, "path", o->name),
        NULL, 0, why);
    if (rc) return rc;
    c->fetching = token;
    c->wanted = *o;
    watch(c, transfer_us(c));
    return E_OK;
}

static int gphoto_preview(struct camera *camera, uint8_t **jpeg_out, int64_t *bytes_out, struct err *why)
{
    struct camera_gphoto *c = (struct camera_gphoto *)camera;
    struct camera_message m = {0};
    int rc = ask(c, json_pack("{s:s}", "do", "preview"), ANSWER_US, &m, why);
    if (rc) return rc;
    *jpeg_out = m.payload;
    *bytes_out = (int64_t)m.payload_count;
    m.payload = NULL;
    camera_message_clear(&m);
    return E_OK;
}

static int gphoto_lens(struct camera *camera, struct lens_kind *out, struct err *why)
{
    struct camera_gphoto *c = (struct camera_gphoto *)camera;
    struct camera_message m = {0};
    int rc = ask(c, json_pack("{s:s}", "do", "lens"), ANSWER_US, &m, why);
    if (rc) return rc;
    out->order_most = (int32_t)camera_whole(m.body, "order_most");
    out->sizes = (int32_t)camera_whole(m.body, "sizes");
    camera_message_clear(&m);
    return E_OK;
}

/* Behind a transfer that is under way it waits its turn. */
static int gphoto_drive(struct camera *camera, int32_t order, struct err *why)
{
    struct camera_gphoto *c = (struct camera_gphoto *)camera;
    if (c->driving || c->exposing) return fail(why, E_STATE, "camera: it is busy; wait");
    int rc =
        camera_wire_send(&c->wire, json_pack("{s:s, s:i}", "do", "drive", "order", (int)order), NULL, 0, why);
    if (rc) return rc;
    c->driving = true;
    c->lens_watchdog = sched_at(
        c->opts.sched, sched_now_us(c->opts.sched) + c->opts.silence_us + (c->fetching ? transfer_us(c) : 0),
        on_lens_silence, c);
    return E_OK;
}

static int gphoto_again(struct camera *camera, struct err *why)
{
    struct camera_gphoto *c = (struct camera_gphoto *)camera;
    gphoto_rest(c);
    gphoto_lens_rests(c);
    end_program(c);
    c->exposing = c->fetching = 0;
    c->restarts = 0;
    int rc = begin(c, why);
    if (!rc) c->gone = false;
    return rc;
}

/* Asked to end, it closes what is open on the camera; a hung one is killed. */
static void let_go(struct camera_gphoto *c)
{
    if (c->pid <= 0) return;
    struct pollfd p = {.fd = c->wire.fd, .events = POLLIN};
    const int64_t until_us = clock_us() + HUNG_US;
    if (!camera_wire_send(&c->wire, json_pack("{s:s}", "do", "close"), NULL, 0, NULL))
        while (clock_us() < until_us && poll(&p, 1, 100) >= 0)
            if (p.revents && camera_wire_read(&c->wire, NULL)) break;
    end_program(c);
}

static void gphoto_close(struct camera *camera)
{
    struct camera_gphoto *c = (struct camera_gphoto *)camera;
    gphoto_rest(c);
    gphoto_lens_rests(c);
    let_go(c);
    for (; c->event_count; c->event_count--, c->event_first = (c->event_first + 1) % EVENTS_MOST)
        mem_free(c->events[c->event_first].bytes);
    gphoto_forget_known(c);
    mem_free(c->known);
    camera_lock_let_go(c->lock);
    mem_free(c);
}

static const struct camera_ops ops = {.name = "camera",
                                      .caps = CAMERA_RECOUNTS | CAMERA_PREVIEWS,
                                      .describe = gphoto_describe,
                                      .set = gphoto_set,
                                      .arm = gphoto_arm,
                                      .trigger = gphoto_trigger,
                                      .next_event = gphoto_next_event,
                                      .fetch = gphoto_fetch,
                                      .recount = gphoto_recount,
                                      .preview = gphoto_preview,
                                      .close = gphoto_close,
                                      .held = gphoto_held,
                                      .again = gphoto_again,
                                      .lens = gphoto_lens,
                                      .drive = gphoto_drive,
                                      .tell = camera_ask_tell,
                                      .turn = camera_ask_turn};

/* Beside this program while it is built, in libexec once it is installed. */
static int find_program(char out[PATH_ROOM], struct err *why)
{
    char self[PATH_ROOM - 64];
    const ssize_t n = readlink("/proc/self/exe", self, sizeof self - 1);
    char *slash = n > 0 ? (self[n] = '\0', strrchr(self, '/')) : NULL;
    if (slash) {
        *slash = '\0';
        snprintf(out, PATH_ROOM, "%s/staddle-camera", self);
        if (!access(out, X_OK)) return E_OK;
        snprintf(out, PATH_ROOM, "%s/../libexec/staddle/staddle-camera", self);
        if (!access(out, X_OK)) return E_OK;
    }
    return fail(why, E_IO, "staddle-camera, the program for cameras, is missing; install staddle whole");
}

int camera_gphoto_open(const struct camera_gphoto_opts *opts, struct camera **out, struct err *why)
{
    struct camera_gphoto *c = mem_new(1, sizeof *c, why);
    if (!c) return E_NOMEM;
    c->base.ops = &ops;
    c->opts = *opts;
    c->wire.fd = c->lock = -1;
    snprintf(c->port, sizeof c->port, "%s", opts->port ? opts->port : "");
    if (!c->opts.silence_us) c->opts.silence_us = strncmp(c->port, "ptpip:", 6) ? SILENCE_US : SILENCE_IP_US;
    int rc = E_OK;
    if (opts->program)
        snprintf(c->program, sizeof c->program, "%s", opts->program);
    else
        rc = find_program(c->program, why);
    if (!rc) rc = camera_lock_take(c->port, &c->lock, why);
    if (!rc) rc = begin(c, why);
    if (rc) {
        gphoto_close(&c->base);
        return rc;
    }
    *out = &c->base;
    return E_OK;
}
