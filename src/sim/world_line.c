/* world_line.c - the controller's side of the world's socket. */
#include <errno.h>
#include <poll.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "base/mem.h"
#include "sim/world_port.h"
#include "sim/world_socket.h"

#define ANSWER_MOST_MS 5000 /* our choice: a busy program answers much sooner */

struct world_line {
    struct sched *sched;
    int fd; /* -1: the world has gone */
    sched_fn *changed;
    void *arg;
    struct world_note waiting[WORLD_PORT_NOTES];
    int count;
    unsigned inputs;
    int64_t sure_edges; /* negative: has to be asked */
};

int world_socket_name(const char *path, struct sockaddr_un *out, struct err *why)
{
    memset(out, 0, sizeof *out);
    out->sun_family = AF_UNIX;
    if (!path[0] || strlen(path) >= sizeof out->sun_path)
        return fail(why, E_INPUT, "%s: a socket's path has 1 to %d characters; name a shorter one", path,
                    (int)sizeof out->sun_path - 1);
    memcpy(out->sun_path, path, strlen(path) + 1);
    return E_OK;
}

static void lose(struct world_line *l)
{
    if (l->fd < 0) return;
    sched_unwatch(l->sched, l->fd);
    close(l->fd);
    l->fd = -1;
    l->count = 0;
}

static void put(struct world_line *l, int32_t kind, int64_t at_ns, int32_t value)
{
    if (l->count == WORLD_PORT_NOTES) world_line_flush(l);
    if (l->fd < 0) return;
    l->waiting[l->count++] = (struct world_note){.kind = kind, .at_ns = at_ns, .value = value};
}

static bool take_inputs(struct world_line *l)
{
    struct world_note notes[WORLD_PORT_NOTES];
    bool taken = false;
    ssize_t n = recv(l->fd, notes, sizeof notes, MSG_DONTWAIT);
    if (n < 0 && (errno == EAGAIN || errno == EINTR)) return false;
    if (n <= 0) {
        lose(l);
        return false;
    }
    for (size_t i = 0; i < (size_t)n / sizeof *notes; i++) {
        if (notes[i].kind != NOTE_INPUTS) continue;
        l->inputs = (unsigned)notes[i].value;
        l->sure_edges = notes[i].at_ns;
        taken = true;
    }
    return taken;
}

static void on_packet(void *arg)
{
    struct world_line *l = arg;
    take_inputs(l);
    l->changed(l->arg);
}

int world_line_open(struct sched *sched, const char *path, sched_fn *changed, void *arg,
                    struct world_line **out, struct err *why)
{
    struct sockaddr_un name;
    int rc = world_socket_name(path, &name, why);
    if (rc) return rc;
    struct world_line *l = mem_new(1, sizeof *l, why);
    if (!l) return E_NOMEM;
    *l = (struct world_line){.sched = sched, .changed = changed, .arg = arg, .sure_edges = -1};
    l->fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
    if (l->fd < 0 || connect(l->fd, (struct sockaddr *)&name, sizeof name)) {
        rc = fail(why, E_IO, "%s: no world listens there: %s", path, strerror(errno));
        if (l->fd >= 0) close(l->fd);
        mem_free(l);
        return rc;
    }
    rc = sched_watch(sched, l->fd, on_packet, l, why);
    if (rc) {
        close(l->fd);
        mem_free(l);
        return rc;
    }
    put(l, NOTE_VERSION, 0, WORLD_PORT_VERSION);
    world_line_flush(l);
    *out = l;
    return E_OK;
}

void world_line_close(struct world_line *l)
{
    if (!l) return;
    world_line_flush(l);
    lose(l);
    mem_free(l);
}

bool world_line_there(const struct world_line *l)
{
    return l && l->fd >= 0;
}

bool world_line_edge(struct world_line *l, int64_t at_ns, int dir)
{
    if (!world_line_there(l)) return false;
    put(l, NOTE_EDGE, at_ns + sched_began_us(l->sched) * 1000, dir);
    l->sure_edges--;
    return l->fd >= 0;
}

void world_line_flush(struct world_line *l)
{
    if (!l->count || l->fd < 0) return;
    size_t bytes = (size_t)l->count * sizeof *l->waiting;
    l->count = 0;
    if (send(l->fd, l->waiting, bytes, MSG_NOSIGNAL) != (ssize_t)bytes) lose(l);
}

unsigned world_line_inputs(struct world_line *l)
{
    if (!world_line_there(l) || l->sure_edges >= 0) return l ? l->inputs : 0;
    put(l, NOTE_ASK, 0, 0);
    world_line_flush(l);
    while (l->fd >= 0 && l->sure_edges < 0) {
        struct pollfd p = {.fd = l->fd, .events = POLLIN};
        int ready = poll(&p, 1, ANSWER_MOST_MS);
        if (ready < 0 && errno == EINTR) continue;
        if (ready <= 0)
            lose(l);
        else
            take_inputs(l);
    }
    return l->inputs;
}
