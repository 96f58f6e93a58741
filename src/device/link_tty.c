#include "device/link_tty.h"

#include <errno.h>
#include <fcntl.h>
#include <grp.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#include "base/holder.h"
#include "base/mem.h"

#define PATH_MOST 512
#define CHUNK     512

struct link_tty {
    struct link base;
    struct sched *sched;
    struct link_tty_owner owner;
    int fd;
    bool watched;
    char path[PATH_MOST];
};

static int busy(const char *path, struct err *why)
{
    char holder[80];
    find_holder(path, holder, sizeof holder);
    return fail(why, E_STATE, "rail: %s is in use by %s; end that first", path,
                holder[0] ? holder : "another program");
}

static int not_allowed(const char *path, struct err *why)
{
    struct stat st;
    const struct group *g = stat(path, &st) ? NULL : getgrgid(st.st_gid);
    if (g && (st.st_mode & S_IWGRP))
        return fail(why, E_STATE,
                    "rail: %s may only be opened by group %s; 'sudo adduser $USER %s', then log out and in",
                    path, g->gr_name, g->gr_name);
    return fail(why, E_STATE, "rail: %s may not be opened by this user; see its owner with 'ls -l %s'", path,
                path);
}

int link_tty_refused(const char *path, int error, struct err *why)
{
    if (error == EACCES || error == EPERM) return not_allowed(path, why);
    if (error == EBUSY) return busy(path, why);
    if (error == ENOENT || error == ENODEV || error == ENXIO)
        return fail(why, E_INPUT, "rail: %s: there is no such port; is the cable in, is axis.link right?",
                    path);
    return fail(why, E_IO, "rail: %s cannot be opened: %s", path, strerror(error));
}

int link_tty_claim(int fd, const char *path, struct err *why)
{
    struct termios t;
    if (tcgetattr(fd, &t)) return fail(why, E_INPUT, "rail: %s is no serial port; is axis.link right?", path);
    t.c_cflag &= ~(tcflag_t)HUPCL;
    if (tcsetattr(fd, TCSANOW, &t)) return link_tty_refused(path, errno, why);
    if (flock(fd, LOCK_EX | LOCK_NB))
        return errno == EWOULDBLOCK ? busy(path, why) : link_tty_refused(path, errno, why);
    return E_OK;
}

/* --- the link --- */

static void unwatch(struct link_tty *l)
{
    if (l->watched) sched_unwatch(l->sched, l->fd);
    l->watched = false;
}

static void on_readable(void *arg)
{
    struct link_tty *l = arg;
    uint8_t bytes[CHUNK];
    ssize_t n = read(l->fd, bytes, sizeof bytes);
    if (n < 0 && (errno == EAGAIN || errno == EINTR)) return;
    if (n <= 0) unwatch(l);
    if (l->base.receive) l->base.receive(l->base.receive_arg, bytes, n > 0 ? (size_t)n : 0);
}

static int tty_send(struct link *base, const void *bytes, size_t count, struct err *why)
{
    const struct link_tty *l = (const struct link_tty *)base;
    const uint8_t *at = bytes;
    while (count) {
        ssize_t n = write(l->fd, at, count);
        if (n < 0 && errno == EINTR) continue;
        if (n < 0 && errno == EAGAIN)
            return fail(why, E_IO, "rail: %s takes no more bytes; is the controller powered?", l->path);
        if (n <= 0) return fail(why, E_IO, "rail: %s is gone; is the cable in?", l->path);
        at += n;
        count -= (size_t)n;
    }
    return E_OK;
}

static void tty_close(struct link *base)
{
    struct link_tty *l = (struct link_tty *)base;
    if (!l) return;
    unwatch(l);
    l->owner.close(l->owner.handle, l->fd);
    mem_free(l);
}

static const struct link_ops TTY_OPS = {.name = "a serial port", .send = tty_send, .close = tty_close};

int link_tty_open(struct sched *sched, int fd, const char *path, const struct link_tty_owner *owner,
                  int64_t listen_us, struct link **out, struct err *why)
{
    struct link_tty *l = mem_new(1, sizeof *l, why);
    int rc = l ? E_OK : E_NOMEM;
    if (!rc) rc = sched_watch(sched, fd, on_readable, l, why);
    if (rc) {
        owner->close(owner->handle, fd);
        mem_free(l);
        return rc;
    }
    l->base.ops = &TTY_OPS;
    l->base.listen_us = listen_us;
    l->sched = sched;
    l->owner = *owner;
    l->fd = fd;
    l->watched = true;
    snprintf(l->path, sizeof l->path, "%s", path);
    *out = &l->base;
    return E_OK;
}
