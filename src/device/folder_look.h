/* folder_look.h - reads files of a watched folder and decodes them whole, on a thread of its own; what it
 * finds comes on the scheduler's thread. One look and one read at a time. */
#ifndef STADDLE_DEVICE_FOLDER_LOOK_H
#define STADDLE_DEVICE_FOLDER_LOOK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "base/sched.h"
#include "device/folder_watch.h"

struct folder_seen {
    char name[256];
    int32_t width_px, height_px;
    bool reduced;        /* the size is that of a preview */
    int64_t captured_us; /* wall clock of the camera; INT64_MIN: not told */
    uint64_t picture;    /* its pixels in short: equal for equal pictures, and only for those (as good as) */
    struct err why;      /* it is no whole picture */
};

typedef void folder_looked_fn(void *arg, const struct folder_seen *);
typedef void folder_read_fn(void *arg, uint8_t *bytes, size_t count,
                            const struct err *why); /* takes the bytes */

struct folder_look;

int folder_look_new(struct sched *sched, const struct folder_watch *watch, folder_looked_fn *looked,
                    folder_read_fn *read, void *arg, struct folder_look **out, struct err *why);
void folder_look_free(struct folder_look *); /* waits for the thread; NULL is fine */

bool folder_look_busy(const struct folder_look *);
int folder_look_start(struct folder_look *, const char *name, struct err *);

/* Within folder_looked_fn: the bytes that were decoded are kept for folder_look_read. */
void folder_look_keep(struct folder_look *);
void folder_look_forget(struct folder_look *);

/* The bytes of that file: those that were kept, once; else from the disk. */
int folder_look_read(struct folder_look *, const char *name, struct err *);

#endif
