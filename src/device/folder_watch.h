/* folder_watch.h - tells when something happens in a folder, and keeps a second run out of it. It only reads:
 * nothing in the folder is made, changed, moved or removed.
 *
 * The real one is inotify, on the scheduler's thread. Under a virtual clock somebody else plays the other
 * program, through struct folder_eyes. */
#ifndef STADDLE_DEVICE_FOLDER_WATCH_H
#define STADDLE_DEVICE_FOLDER_WATCH_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/stat.h>

#include "base/err.h"
#include "base/sched.h"

enum folder_what {
    FOLDER_WRITTEN, /* that file is being written to */
    FOLDER_CLOSED,  /* and is not any more; or it came whole, by a new name */
    FOLDER_CHANGED, /* something, no matter what: look */
    FOLDER_VANISHED /* the folder itself; the last that is heard of it */
};
typedef void folder_seen_fn(void *arg, enum folder_what, const char *name); /* "" unless WRITTEN, CLOSED */

/* What stands in place of inotify. */
struct folder_eyes {
    void *arg;
    /* From now on: seen(seen_arg, ...), from the scheduler. */
    void (*open)(void *arg, folder_seen_fn *seen, void *seen_arg);
    void (*close)(void *arg);
    /* A frame is waited for: the other program may take one. NULL is fine. */
    void (*asked)(void *arg, uint64_t token);
    /* When the file came into the folder, wall clock. NULL: as the file system says (its change time). */
    int64_t (*came_wall_us)(void *arg, const char *name, const struct stat *);
};

struct folder_watch;

/* E_INPUT: no such folder; E_STATE: another run watches it, with that one's name. `eyes` may be NULL. */
int folder_watch_open(struct sched *sched, const char *path, const struct folder_eyes *eyes,
                      folder_seen_fn *seen, void *arg, struct folder_watch **out, struct err *why);
void folder_watch_close(struct folder_watch *); /* NULL is fine */

bool folder_watch_there(const struct folder_watch *); /* the folder is still what its path leads to */
const char *folder_watch_path(const struct folder_watch *);
int folder_watch_dir(const struct folder_watch *); /* the opened folder, for the *at calls */
void folder_watch_ask(const struct folder_watch *, uint64_t token);
int64_t folder_watch_came_us(const struct folder_watch *, const char *name, const struct stat *);

#endif
