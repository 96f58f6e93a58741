/* world_port.c - the world's side of its socket. */
#include "sim/world_port.h"

#include <errno.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include "base/mem.h"
#include "sim/inside.h"
#include "sim/world_socket.h"

struct world_port {
    struct sched *sched;
    struct world_port_user user;
    char path[sizeof((struct sockaddr_un *)NULL)->sun_path];
    int listener, peer; /* -1: none */
    bool agreed;        /* the peer has named our version */
    int64_t edges, last_ns;
};

static void drop_peer(struct world_port *p)
{
    if (p->peer < 0) return;
    sched_unwatch(p->sched, p->peer);
    close(p->peer);
    p->peer = -1;
    p->agreed = false;
}

static void answer(struct world_port *p)
{
    int64_t sure = 0;
    unsigned bits = p->user.inputs(p->user.arg, &sure);
    struct world_note n = {.kind = NOTE_INPUTS, .at_ns = sure, .value = (int32_t)bits};
    if (send(p->peer, &n, sizeof n, MSG_NOSIGNAL | MSG_DONTWAIT) != sizeof n) drop_peer(p);
}

static void take_edge(struct world_port *p, const struct world_note *n)
{
    int64_t at_ns = n->at_ns - sched_began_us(p->sched) * 1000;
    if (at_ns < p->last_ns) at_ns = p->last_ns;
    p->last_ns = at_ns;
    p->edges++;
    p->user.edge(p->user.arg, at_ns, n->value < 0 ? -1 : 1);
}

static void take(struct world_port *p, const struct world_note *n)
{
    if (!p->agreed) {
        p->agreed = n->kind == NOTE_VERSION && n->value == WORLD_PORT_VERSION;
        if (!p->agreed) drop_peer(p);
    } else if (n->kind == NOTE_EDGE) {
        take_edge(p, n);
    } else if (n->kind == NOTE_ASK) {
        answer(p);
    }
}

/* False when nothing more has arrived. */
static bool take_packet(struct world_port *p)
{
    struct world_note notes[WORLD_PORT_NOTES];
    ssize_t n = recv(p->peer, notes, sizeof notes, MSG_DONTWAIT);
    if (n < 0 && errno == EINTR) return true;
    if (n < 0 && errno == EAGAIN) return false;
    if (n <= 0 || (size_t)n % sizeof *notes) {
        drop_peer(p);
        return false;
    }
    for (size_t i = 0; i < (size_t)n / sizeof *notes && p->peer >= 0; i++)
        take(p, &notes[i]);
    return p->peer >= 0;
}

void world_port_catch_up(struct world_port *p)
{
    while (p->peer >= 0 && take_packet(p))
        ;
}

static void on_packet(void *arg)
{
    take_packet(arg);
}

static void on_knock(void *arg)
{
    struct world_port *p = arg;
    int fd = accept4(p->listener, NULL, NULL, SOCK_CLOEXEC);
    if (fd < 0) return;
    if (p->peer >= 0 || sched_watch(p->sched, fd, on_packet, p, NULL)) {
        close(fd);
        return;
    }
    p->peer = fd;
}

/* A socket that a dead program left behind is removed; anything else that stands there is not ours. */
static int make_way(const char *path, const struct sockaddr_un *name, struct err *why)
{
    struct stat st;
    if (lstat(path, &st)) return E_OK;
    if (!S_ISSOCK(st.st_mode))
        return fail(why, E_INPUT, "%s: is there already, and no socket; name another path for the world",
                    path);
    int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
    int rc = fd < 0 ? -1 : connect(fd, (const struct sockaddr *)name, sizeof *name);
    int refused = rc && errno == ECONNREFUSED;
    if (fd >= 0) close(fd);
    if (!refused || unlink(path))
        return fail(why, E_STATE, "%s: another program's world is there; end it, or name another path", path);
    return E_OK;
}

int world_port_open(struct sched *sched, const char *path, const struct world_port_user *user,
                    struct world_port **out, struct err *why)
{
    struct sockaddr_un name;
    int rc = world_socket_name(path, &name, why);
    if (!rc) rc = make_way(path, &name, why);
    if (rc) return rc;
    struct world_port *p = mem_new(1, sizeof *p, why);
    if (!p) return E_NOMEM;
    p->sched = sched;
    p->user = *user;
    p->peer = -1;
    p->last_ns = INT64_MIN;
    p->listener = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (p->listener < 0 || bind(p->listener, (struct sockaddr *)&name, sizeof name) ||
        listen(p->listener, 4)) {
        rc = fail(why, E_IO, "%s: cannot listen there: %s", path, strerror(errno));
        world_port_close(p);
        return rc;
    }
    memcpy(p->path, name.sun_path, sizeof p->path);
    rc = sched_watch(sched, p->listener, on_knock, p, why);
    if (rc) {
        world_port_close(p);
        return rc;
    }
    *out = p;
    return E_OK;
}

void world_port_close(struct world_port *p)
{
    if (!p) return;
    drop_peer(p);
    if (p->listener >= 0) {
        sched_unwatch(p->sched, p->listener);
        close(p->listener);
    }
    if (p->path[0]) unlink(p->path);
    mem_free(p);
}

bool world_port_connected(const struct world_port *p)
{
    return p->agreed;
}

int64_t world_port_edges(const struct world_port *p)
{
    return p->edges;
}

/* --- of a world --- */

static void move_world(void *arg, int64_t at_ns, int dir)
{
    world_step(arg, at_ns, dir);
}

/* An edge moves the carriage by its share of the lead, and by less than that again for the screw's error. */
static unsigned world_inputs(void *arg, int64_t *sure_edges)
{
    const struct world *w = arg;
    bool near_pressed, far_pressed;
    world_switches(w, &near_pressed, &far_pressed);
    double at = world_carriage_nm(w);
    double way = fmin(fabs(at - (double)w->travel_lo_nm), fabs(at - (double)w->travel_hi_nm));
    double edge_nm = (double)w->axis.lead_nm / ((double)w->axis.steps_per_rev * w->axis.microsteps);
    *sure_edges = (int64_t)floor(way / (2 * edge_nm));
    return (near_pressed ? INPUT_NEAR : 0u) | (far_pressed ? INPUT_FAR : 0u);
}

struct world_port_user world_port_of(struct world *w)
{
    return (struct world_port_user){w, move_world, world_inputs};
}
