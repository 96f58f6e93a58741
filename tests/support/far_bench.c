#include "tests/support/far_bench.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include "base/mem.h"
#include "device/link.h"
#include "tests/support/far_wire.h"

#define ALONE_US 60000000 /* that pass at the bench when its host has gone */

static void give_up(const char *what)
{
    perror(what);
    abort();
}

struct far_page *far_page_map(const char *path)
{
    int fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    if (fd < 0 || ftruncate(fd, sizeof(struct far_page))) give_up(path);
    void *p = mmap(NULL, sizeof(struct far_page), PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (p == MAP_FAILED) give_up(path);
    close(fd);
    return p;
}

struct far_bench {
    struct rig *rig;
    struct link *line; /* the controller's other end */
    uint8_t said[FAR_LINE_MOST];
    int32_t said_count;
    int32_t shots;
    uint64_t token; /* of the last trigger: the world's log does not know it */
    struct far_page *page;
    int boot;
};

/* ---- the rig's own axis hears nothing: the line is the host's */

static int deaf_send(struct link *l, const void *bytes, size_t count, struct err *why)
{
    (void)l, (void)bytes, (void)count, (void)why;
    return E_OK;
}

static void deaf_close(struct link *l)
{
    (void)l;
}

static const struct link_ops DEAF = {"deaf", deaf_send, deaf_close};

static void take_said(void *arg, const uint8_t *bytes, size_t count)
{
    struct far_bench *b = arg;
    if ((size_t)b->said_count + count > sizeof b->said) give_up("a line that nobody reads");
    memcpy(b->said + b->said_count, bytes, count);
    b->said_count += (int32_t)count;
}

static struct link *steal(void *arg, struct sched *sched, struct link *line)
{
    (void)sched;
    static struct link deaf = {.ops = &DEAF};
    struct far_bench *b = arg;
    b->line = line;
    line->receive = take_said;
    line->receive_arg = b;
    return &deaf;
}

static void log_shots(struct far_bench *b)
{
    const struct shot *log;
    int32_t n = world_shots(b->rig->world, &log);
    for (; b->shots < n && b->page->shot_count < FAR_SHOTS_MOST; b->shots++) {
        const struct shot *s = &log[b->shots];
        double sum = 0;
        for (int32_t i = 0; i < s->samples; i++)
            sum += s->focus_nm[i];
        int32_t at = b->page->shot_count;
        b->page->shots[at].token = b->token;
        b->page->shots[at].focus_nm = sum / s->samples;
        b->page->shots[at].boot = b->boot;
        b->page->shot_count = at + 1;
    }
}

static int64_t step(struct far_bench *b, int64_t us)
{
    int64_t from = sched_now_us(b->rig->sched);
    while (!b->said_count && !b->rig->camera_noticed && sched_step(b->rig->sched, from + us))
        continue;
    log_shots(b);
    return sched_now_us(b->rig->sched) - from;
}

static void stay_alone(struct far_bench *b)
{
    int64_t until = sched_now_us(b->rig->sched) + ALONE_US;
    struct camera_event ev = {0};
    while (sched_step(b->rig->sched, until))
        b->said_count = 0;
    while (!camera_next_event(b->rig->camera, &ev, NULL) && ev.kind != CAMERA_NOTHING)
        mem_free(ev.bytes);
    b->rig->camera_noticed = false;
    b->said_count = 0;
    log_shots(b);
}

static void answer(struct far_bench *b, const struct far_call *c, struct far_answer *a)
{
    struct camera *cam = b->rig->camera;
    switch ((enum far_word)c->word) {
    case FAR_STEP:
        a->us = step(b, c->us);
        a->camera = b->rig->camera_noticed;
        b->rig->camera_noticed = false;
        a->count = b->said_count;
        memcpy(a->line, b->said, (size_t)b->said_count);
        b->said_count = 0;
        break;
    case FAR_SEND:
        a->rc = b->line->ops->send(b->line, c->bytes, (size_t)c->count, &a->why);
        break;
    case FAR_TRIGGER:
        a->rc = camera_trigger(cam, c->token, &a->why);
        if (!a->rc) b->token = c->token;
        break;
    case FAR_FETCH:
        a->rc = camera_fetch(cam, c->token, &c->object, &a->why);
        break;
    case FAR_SET:
        a->rc = camera_set(cam, &c->settings, &a->why);
        break;
    case FAR_ARM:
        a->rc = camera_arm(cam, &a->why);
        break;
    case FAR_NEXT:
        a->rc = camera_next_event(cam, &a->event, &a->why);
        break;
    case FAR_RECOUNT:
        a->rc = camera_recount(cam, c->token, &a->count, &a->why);
        break;
    case FAR_HELD:
        a->rc = camera_held(cam, c->token, a->held, FRAME_FILES_MOST, &a->count, &a->why);
        break;
    case FAR_DESCRIBE:
        a->rc = camera_describe(cam, &a->facts, &a->why);
        break;
    case FAR_DOES_NOTHING:
        break;
    }
}

static bool all(int fd, void *bytes, size_t count, bool out)
{
    char *p = bytes;
    while (count) {
        ssize_t n = out ? send(fd, p, count, MSG_NOSIGNAL) : recv(fd, p, count, 0);
        if (n < 0 && errno == EINTR) continue;
        if (n <= 0) return false;
        p += n;
        count -= (size_t)n;
    }
    return true;
}

static void serve(struct far_bench *b, int fd)
{
    struct far_call c;
    static struct far_answer a;
    while (all(fd, &c, sizeof c, false)) {
        memset(&a, 0, sizeof a);
        answer(b, &c, &a);
        bool sent = all(fd, &a, sizeof a, true);
        if (a.event.bytes) sent = sent && all(fd, a.event.bytes, (size_t)a.event.byte_count, true);
        mem_free(a.event.bytes);
        if (!sent) return;
    }
}

static int listen_at(const char *path)
{
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    snprintf(at.sun_path, sizeof at.sun_path, "%s", path);
    unlink(path);
    if (fd < 0 || bind(fd, (struct sockaddr *)&at, sizeof at) || listen(fd, 4)) give_up(path);
    return fd;
}

static _Noreturn void be_bench(const struct shoot_job *job, int fd, struct far_page *page, int boot)
{
    static struct far_bench b;
    struct err why = {0};
    b = (struct far_bench){.page = page, .boot = boot};
    struct rig_opts o = {.bench = &job->bench,
                         .job = &job->job,
                         .plan = &job->plan,
                         .seed = 7 + 1000 * (uint64_t)boot,
                         .virtual_clock = true,
                         .workers = 1,
                         .wrap_link = steal,
                         .wrap_arg = &b};
    prctl(PR_SET_PDEATHSIG, SIGKILL);
    if (bench_open(&o, &b.rig, &why)) {
        fprintf(stderr, "far bench: %s\n", why.text);
        _exit(1);
    }
    b.rig->camera_noticed = false;
    for (;;) {
        int host = accept4(fd, NULL, NULL, SOCK_CLOEXEC);
        if (host < 0) continue;
        serve(&b, host);
        close(host);
        stay_alone(&b);
    }
}

pid_t far_bench_start(const struct shoot_job *job, const char *socket_path, struct far_page *page, int boot)
{
    int fd = listen_at(socket_path);
    page->boot = boot;
    fflush(NULL);
    pid_t pid = fork();
    if (pid < 0) give_up("fork");
    if (!pid) be_bench(job, fd, page, boot);
    close(fd);
    return pid;
}

void far_bench_kill(pid_t pid)
{
    kill(pid, SIGKILL);
    waitpid(pid, NULL, 0);
}

/* ---- the host's side */

struct far_host {
    int fd;
    int64_t at_us; /* host time that the bench has reached; -1: not yet */
    struct far_camera {
        struct camera base;
        struct far_host *host;
    } camera;
    struct far_line {
        struct link base;
        struct far_host *host;
    } line;
    uint8_t said[FAR_LINE_MOST];
    int32_t said_count;
    bool camera_spoke;
};

/* A bench that is gone has taken its host with it. */
static void ask(struct far_host *h, const struct far_call *c, struct far_answer *a)
{
    bool there = all(h->fd, (void *)c, sizeof *c, true) && all(h->fd, a, sizeof *a, false);
    if (there && a->event.bytes) {
        a->event.bytes = mem_new((size_t)a->event.byte_count, 1, NULL);
        there = a->event.bytes && all(h->fd, a->event.bytes, (size_t)a->event.byte_count, false);
    }
    if (!there) kill(getpid(), SIGKILL);
}

static int say(struct far_host *h, const struct far_call *c, struct far_answer *a, struct err *why)
{
    ask(h, c, a);
    if (a->rc && why) *why = a->why;
    return a->rc;
}

static void deliver(void *arg)
{
    struct far_host *h = arg;
    int32_t n = h->said_count;
    h->said_count = 0;
    if (n && h->line.base.receive) h->line.base.receive(h->line.base.receive_arg, h->said, (size_t)n);
    if (h->camera_spoke && h->camera.base.notice) h->camera.base.notice(h->camera.base.notice_arg);
    h->camera_spoke = false;
}

static bool pass(void *arg, struct sched *s, int64_t to_us)
{
    struct far_host *h = arg;
    static struct far_answer a;
    if (h->at_us < 0) h->at_us = sched_now_us(s);
    if (to_us <= h->at_us || h->said_count) return false;
    int64_t most = to_us == SCHED_NEVER ? 3600000000 : to_us - h->at_us;
    ask(h, &(struct far_call){.word = FAR_STEP, .us = most}, &a);
    h->at_us += a.us;
    if (!a.count && !a.camera) return false;
    h->said_count = a.count;
    memcpy(h->said, a.line, (size_t)a.count);
    h->camera_spoke = a.camera;
    sched_at(s, h->at_us, deliver, h);
    return true;
}

#define HOST(c) (((struct far_camera *)(c))->host)

static int far_describe(struct camera *c, struct camera_facts *out, struct err *why)
{
    static struct far_answer a;
    int rc = say(HOST(c), &(struct far_call){.word = FAR_DESCRIBE}, &a, why);
    *out = a.facts;
    return rc;
}

static int far_set(struct camera *c, const struct camera_settings *s, struct err *why)
{
    static struct far_answer a;
    return say(HOST(c), &(struct far_call){.word = FAR_SET, .settings = *s}, &a, why);
}

static int far_arm(struct camera *c, struct err *why)
{
    static struct far_answer a;
    return say(HOST(c), &(struct far_call){.word = FAR_ARM}, &a, why);
}

static int far_trigger(struct camera *c, uint64_t token, struct err *why)
{
    static struct far_answer a;
    return say(HOST(c), &(struct far_call){.word = FAR_TRIGGER, .token = token}, &a, why);
}

static int far_next(struct camera *c, struct camera_event *out, struct err *why)
{
    static struct far_answer a;
    int rc = say(HOST(c), &(struct far_call){.word = FAR_NEXT}, &a, why);
    *out = a.event;
    return rc;
}

static int far_fetch(struct camera *c, uint64_t token, const struct camera_object *o, struct err *why)
{
    static struct far_answer a;
    return say(HOST(c), &(struct far_call){.word = FAR_FETCH, .token = token, .object = *o}, &a, why);
}

static int far_recount(struct camera *c, uint64_t token, int32_t *out, struct err *why)
{
    static struct far_answer a;
    int rc = say(HOST(c), &(struct far_call){.word = FAR_RECOUNT, .token = token}, &a, why);
    *out = a.count;
    return rc;
}

static int far_held(struct camera *c, uint64_t token, struct camera_object *out, int32_t most, int32_t *count,
                    struct err *why)
{
    static struct far_answer a;
    int rc = say(HOST(c), &(struct far_call){.word = FAR_HELD, .token = token}, &a, why);
    *count = a.count < most ? a.count : most;
    for (int32_t i = 0; i < *count; i++)
        out[i] = a.held[i];
    return rc;
}

static void far_close(struct camera *c)
{
    (void)c;
}

static const struct camera_ops FAR_CAMERA_OPS = {.name = "far camera",
                                                 .caps = CAMERA_SAYS_EXPOSED | CAMERA_RECOUNTS,
                                                 .describe = far_describe,
                                                 .set = far_set,
                                                 .arm = far_arm,
                                                 .trigger = far_trigger,
                                                 .next_event = far_next,
                                                 .fetch = far_fetch,
                                                 .recount = far_recount,
                                                 .held = far_held,
                                                 .close = far_close};

static int line_send(struct link *l, const void *bytes, size_t count, struct err *why)
{
    static struct far_answer a;
    struct far_call c = {.word = FAR_SEND, .count = (int32_t)count};
    if (count > sizeof c.bytes) give_up("a long line");
    memcpy(c.bytes, bytes, count);
    return say(((struct far_line *)l)->host, &c, &a, why);
}

static const struct link_ops FAR_LINE_OPS = {"far line", line_send, deaf_close};

static struct camera *put_camera(void *arg, struct camera *near)
{
    struct far_host *h = arg;
    camera_close(near);
    return &h->camera.base;
}

static struct link *put_line(void *arg, struct sched *sched, struct link *near)
{
    (void)sched;
    struct far_host *h = arg;
    near->ops->close(near);
    return &h->line.base;
}

struct far_host *far_host_connect(const char *socket_path)
{
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    struct far_host *h = calloc(1, sizeof *h);
    if (!h) give_up("far host");
    h->at_us = -1;
    h->camera.base.ops = &FAR_CAMERA_OPS;
    h->camera.host = h->line.host = h;
    h->line.base.ops = &FAR_LINE_OPS;
    snprintf(at.sun_path, sizeof at.sun_path, "%s", socket_path);
    h->fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (h->fd >= 0 && !connect(h->fd, (struct sockaddr *)&at, sizeof at)) return h;
    far_host_close(h);
    return NULL;
}

void far_host_use(struct far_host *h, struct rig_opts *o)
{
    o->wrap_camera = put_camera;
    o->wrap_link = put_line;
    o->pass = pass;
    o->wrap_arg = h;
}

void far_host_close(struct far_host *h)
{
    if (h->fd >= 0) close(h->fd);
    free(h);
}
