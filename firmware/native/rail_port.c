#include "firmware/native/rail_port.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/inotify.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#include "base/mem.h"

#define NAME_MOST  64
#define CHUNK_MOST 256
#define CHUNKS     64

/* One direction of the line: a chunk arrives when its last byte has gone over it. */
struct way {
    struct rail_port *port;
    int64_t free_ns;
    struct chunk {
        uint8_t bytes[CHUNK_MOST];
        size_t count;
        sched_id due;
    } chunk[CHUNKS];
    size_t first, waiting;
    void (*deliver)(struct rail_port *, const uint8_t *, size_t);
};

struct rail_port {
    struct sched *sched;
    struct native_rail *rail;
    struct rail_port_opts opts;
    char name[NAME_MOST];
    int master, opens; /* opens: tells when somebody opens or closes the port */
    int users;
    bool dtr, linked;
    sched_id starting; /* not 0: in reset, deaf and mute */
    int64_t byte_ns, resets;
    struct way in, out;
};

/* --- the line --- */

static void arrive(void *arg)
{
    struct way *w = arg;
    struct chunk c = w->chunk[w->first];
    w->first = (w->first + 1) % CHUNKS;
    w->waiting--;
    w->deliver(w->port, c.bytes, c.count);
}

/* What a full line cannot take is lost, as on a real one. */
static void travel(struct way *w, const uint8_t *bytes, size_t count)
{
    int64_t now_ns = sched_now_us(w->port->sched) * 1000;
    if (w->free_ns < now_ns) w->free_ns = now_ns;
    while (count && w->waiting < CHUNKS) {
        struct chunk *c = &w->chunk[(w->first + w->waiting++) % CHUNKS];
        c->count = count < CHUNK_MOST ? count : CHUNK_MOST;
        memcpy(c->bytes, bytes, c->count);
        bytes += c->count;
        count -= c->count;
        w->free_ns += (int64_t)c->count * w->port->byte_ns;
        c->due = sched_at(w->port->sched, (w->free_ns + 999) / 1000, arrive, w);
    }
}

static void empty(struct way *w)
{
    for (; w->waiting; w->waiting--, w->first = (w->first + 1) % CHUNKS)
        sched_cancel(w->port->sched, w->chunk[w->first].due);
}

static void to_controller(struct rail_port *p, const uint8_t *bytes, size_t count)
{
    if (!p->starting) native_rail_receive(p->rail, bytes, count);
}

/* Nobody there, or nobody who reads: gone. */
static void to_host(struct rail_port *p, const uint8_t *bytes, size_t count)
{
    while (p->users && count) {
        ssize_t n = write(p->master, bytes, count);
        if (n < 0 && errno == EINTR) continue;
        if (n <= 0) return;
        bytes += n;
        count -= (size_t)n;
    }
}

static void from_controller(void *arg, const uint8_t *bytes, size_t count)
{
    struct rail_port *p = arg;
    travel(&p->out, bytes, count);
}

/* --- opened, closed, reset --- */

static void start(void *arg)
{
    struct rail_port *p = arg;
    p->starting = 0;
    native_rail_reset(p->rail);
}

static void reset(struct rail_port *p)
{
    p->resets++;
    empty(&p->in);
    empty(&p->out);
    sched_cancel(p->sched, p->starting);
    p->starting = 0;
    if (p->opts.start_us)
        p->starting = sched_at(p->sched, sched_now_us(p->sched) + p->opts.start_us, start, p);
    else
        start(p);
}

static void on_bytes(void *arg)
{
    struct rail_port *p = arg;
    uint8_t bytes[CHUNK_MOST];
    ssize_t n = read(p->master, bytes, sizeof bytes);
    if (n > 0)
        travel(&p->in, bytes, (size_t)n);
    else if (n == 0 || (errno != EAGAIN && errno != EINTR))
        sched_unwatch(p->sched, p->master); /* nobody there; the next opening tells */
}

static void opened(struct rail_port *p)
{
    bool rises = !p->dtr;
    p->dtr = true;
    sched_unwatch(p->sched, p->master);
    sched_watch(p->sched, p->master, on_bytes, p, NULL);
    if (p->opts.opened) p->opts.opened(p->opts.arg);
    if (p->opts.reset == RAIL_RESET_OPEN || (p->opts.reset == RAIL_RESET_DTR && rises)) reset(p);
}

static void closed(struct rail_port *p)
{
    struct termios t;
    if (!tcgetattr(p->master, &t) && (t.c_cflag & HUPCL)) p->dtr = false;
}

static bool nobody_there(const struct rail_port *p)
{
    struct pollfd f = {.fd = p->master};
    return poll(&f, 1, 0) > 0 && (f.revents & POLLHUP);
}

static void on_opens(void *arg)
{
    struct rail_port *p = arg;
    _Alignas(struct inotify_event) char room[4096];
    ssize_t n = read(p->opens, room, sizeof room);
    for (ssize_t at = 0; at < n;) {
        const struct inotify_event *e = (const struct inotify_event *)(const void *)(room + at);
        at += (ssize_t)(sizeof *e + e->len);
        if (e->mask & IN_OPEN) {
            if (!p->users++) opened(p);
        } else if (p->users && !--p->users) {
            closed(p);
        }
    }
    /* Two equal events may have been told as one. */
    bool nobody = nobody_there(p);
    if (nobody && p->users) closed(p);
    if (nobody) p->users = 0;
    if (!nobody && !p->users) p->users = 1;
}

/* --- the port itself --- */

/* Raw, and with HUPCL, as a serial driver leaves a port that nobody has set up. */
static int set_up(int slave)
{
    struct termios t;
    if (tcgetattr(slave, &t)) return -1;
    cfmakeraw(&t);
    t.c_cflag |= (tcflag_t)(HUPCL | CLOCAL | CREAD);
    return tcsetattr(slave, TCSANOW, &t);
}

static int open_pair(struct rail_port *p, struct err *why)
{
    p->master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    if (p->master < 0 || grantpt(p->master) || unlockpt(p->master) ||
        ptsname_r(p->master, p->name, sizeof p->name))
        return fail_errno(why, E_IO, "no pseudo-terminal to be had");
    int slave = open(p->name, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (slave < 0 || set_up(slave)) {
        int rc = fail_errno(why, E_IO, "%s", p->name);
        if (slave >= 0) close(slave);
        return rc;
    }
    close(slave);
    return E_OK;
}

static int watch_opens(struct rail_port *p, struct err *why)
{
    p->opens = inotify_init1(IN_CLOEXEC | IN_NONBLOCK);
    if (p->opens < 0 || inotify_add_watch(p->opens, p->name, IN_OPEN | IN_CLOSE) < 0)
        return fail_errno(why, E_IO, "%s: cannot be watched", p->name);
    return sched_watch(p->sched, p->opens, on_opens, p, why);
}

/* A link that an earlier run left behind is replaced; nothing else is. */
static int make_link(struct rail_port *p, struct err *why)
{
    const char *link = p->opts.link;
    struct stat st;
    if (!link) return E_OK;
    if (!lstat(link, &st) && (!S_ISLNK(st.st_mode) || unlink(link)))
        return fail(why, E_INPUT, "%s: is there already, and no symbolic link; name another path", link);
    if (symlink(p->name, link)) return fail_errno(why, E_IO, "%s: cannot be made", link);
    p->linked = true;
    return E_OK;
}

int rail_port_open(struct sched *sched, struct native_rail *rail, const struct rail_port_opts *opts,
                   struct rail_port **out, struct err *why)
{
    struct rail_port *p = mem_new(1, sizeof *p, why);
    if (!p) return E_NOMEM;
    p->sched = sched;
    p->rail = rail;
    p->opts = *opts;
    p->master = p->opens = -1;
    p->byte_ns = INT64_C(10) * 1000000000 / (opts->baud ? opts->baud : 250000);
    p->in = (struct way){.port = p, .deliver = to_controller};
    p->out = (struct way){.port = p, .deliver = to_host};
    int rc = open_pair(p, why);
    if (!rc) rc = watch_opens(p, why);
    if (!rc) rc = make_link(p, why);
    if (rc) {
        rail_port_close(p);
        return rc;
    }
    native_rail_connect(rail, from_controller, p);
    *out = p;
    return E_OK;
}

static void remove_link(const struct rail_port *p)
{
    char target[NAME_MOST] = "";
    if (!p->linked || readlink(p->opts.link, target, sizeof target - 1) < 0) return;
    if (!strcmp(target, p->name)) unlink(p->opts.link);
}

void rail_port_close(struct rail_port *p)
{
    if (!p) return;
    native_rail_connect(p->rail, NULL, NULL);
    empty(&p->in);
    empty(&p->out);
    sched_cancel(p->sched, p->starting);
    remove_link(p);
    if (p->opens >= 0) {
        sched_unwatch(p->sched, p->opens);
        close(p->opens);
    }
    if (p->master >= 0) {
        sched_unwatch(p->sched, p->master);
        close(p->master);
    }
    mem_free(p);
}

const char *rail_port_name(const struct rail_port *p)
{
    return p->name;
}

int64_t rail_port_resets(const struct rail_port *p)
{
    return p->resets;
}
