#include "device/folder_watch.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdbool.h>
#include <stdio.h>
#include <sys/file.h>
#include <sys/inotify.h>
#include <unistd.h>

#include "base/holder.h"
#include "base/mem.h"
#include "staddle/bench.h"

#define INOTIFY_MASK                                                                                         \
    (IN_CREATE | IN_MODIFY | IN_CLOSE_WRITE | IN_MOVED_TO | IN_MOVED_FROM | IN_DELETE | IN_DELETE_SELF |     \
     IN_MOVE_SELF | IN_ATTRIB | IN_ONLYDIR)

struct folder_watch {
    struct sched *sched;
    struct folder_eyes eyes; /* open NULL: inotify */
    folder_seen_fn *seen;
    void *arg;
    char path[PATH_ROOM];
    int dir; /* holds the lock */
    int fd;  /* of inotify; -1: none */
};

static void stop(struct folder_watch *w)
{
    if (w->fd < 0) return;
    sched_unwatch(w->sched, w->fd);
    close(w->fd);
    w->fd = -1;
}

/* False: the folder is gone, and this with it, maybe. */
static bool tell(struct folder_watch *w, const struct inotify_event *e)
{
    const char *name = e->len ? e->name : "";
    if (e->mask & (IN_DELETE_SELF | IN_MOVE_SELF | IN_UNMOUNT | IN_IGNORED)) {
        stop(w);
        w->seen(w->arg, FOLDER_VANISHED, "");
        return false;
    }
    if (e->mask & IN_MODIFY)
        w->seen(w->arg, FOLDER_WRITTEN, name);
    else if (e->mask & (IN_CLOSE_WRITE | IN_MOVED_TO))
        w->seen(w->arg, FOLDER_CLOSED, name);
    else
        w->seen(w->arg, FOLDER_CHANGED, ""); /* also when the kernel's queue ran over */
    return true;
}

static void on_events(void *arg)
{
    struct folder_watch *w = arg;
    _Alignas(struct inotify_event) char room[4 * (sizeof(struct inotify_event) + NAME_MAX + 1)];
    const ssize_t n = read(w->fd, room, sizeof room);
    for (ssize_t at = 0; at < n;) {
        const struct inotify_event *e = (const struct inotify_event *)(const void *)(room + at);
        if (!tell(w, e)) return;
        at += (ssize_t)(sizeof *e + e->len);
    }
}

static int open_inotify(struct folder_watch *w, const char *path, struct err *why)
{
    w->fd = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
    if (w->fd < 0) return fail_errno(why, E_IO, "%s: cannot watch the folder", path);
    if (inotify_add_watch(w->fd, path, INOTIFY_MASK) < 0)
        return fail_errno(why, E_IO, "%s: cannot watch the folder", path);
    return sched_watch(w->sched, w->fd, on_events, w, why);
}

static int lock(struct folder_watch *w, const char *path, struct err *why)
{
    char holder[80];
    w->dir = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (w->dir < 0)
        return fail_errno(why, E_INPUT, "camera.folder %s: cannot open it; make it, or name another", path);
    if (!flock(w->dir, LOCK_EX | LOCK_NB)) return E_OK;
    if (errno != EWOULDBLOCK) return fail_errno(why, E_IO, "camera.folder %s: cannot lock it", path);
    find_holder(path, holder, sizeof holder);
    return fail(why, E_STATE,
                "camera.folder %s: %s takes its frames from there; two runs would take each other's", path,
                holder[0] ? holder : "another run");
}

int folder_watch_open(struct sched *sched, const char *path, const struct folder_eyes *eyes,
                      folder_seen_fn *seen, void *arg, struct folder_watch **out, struct err *why)
{
    struct folder_watch *w = mem_new(1, sizeof *w, why);
    if (!w) return E_NOMEM;
    *w = (struct folder_watch){.sched = sched, .seen = seen, .arg = arg, .dir = -1, .fd = -1};
    snprintf(w->path, sizeof w->path, "%s", path);
    if (eyes) w->eyes = *eyes;
    int rc = lock(w, path, why);
    if (!rc && w->eyes.open)
        w->eyes.open(w->eyes.arg, seen, arg);
    else if (!rc)
        rc = open_inotify(w, path, why);
    if (rc) {
        w->eyes.close = NULL; /* it was not opened */
        folder_watch_close(w);
        return rc;
    }
    *out = w;
    return E_OK;
}

void folder_watch_close(struct folder_watch *w)
{
    if (!w) return;
    stop(w);
    if (w->eyes.close) w->eyes.close(w->eyes.arg);
    if (w->dir >= 0) close(w->dir);
    mem_free(w);
}

/* A folder that is removed while it is open tells nothing. */
bool folder_watch_there(const struct folder_watch *w)
{
    struct stat now, opened;
    return !stat(w->path, &now) && !fstat(w->dir, &opened) && now.st_dev == opened.st_dev &&
           now.st_ino == opened.st_ino;
}

const char *folder_watch_path(const struct folder_watch *w)
{
    return w->path;
}

int folder_watch_dir(const struct folder_watch *w)
{
    return w->dir;
}

void folder_watch_ask(const struct folder_watch *w, uint64_t token)
{
    if (w->eyes.asked) w->eyes.asked(w->eyes.arg, token);
}

/* The change time is set by the kernel when the file comes into the folder; the modification time may be the
 * camera's. */
int64_t folder_watch_came_us(const struct folder_watch *w, const char *name, const struct stat *st)
{
    if (w->eyes.came_wall_us) return w->eyes.came_wall_us(w->eyes.arg, name, st);
    return (int64_t)st->st_ctim.tv_sec * 1000000 + st->st_ctim.tv_nsec / 1000;
}
