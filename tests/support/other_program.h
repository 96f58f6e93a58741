/* other_program.h - plays, on the virtual clock, the program that puts a camera's files into a folder: writes
 * them in pieces, late, twice, or not at all. It says what inotify would say. What it has put where is the
 * truth. */
#ifndef TESTS_SUPPORT_OTHER_PROGRAM_H
#define TESTS_SUPPORT_OTHER_PROGRAM_H

#include "device/folder_watch.h"
#include "sim/world.h"
#include "staddle/bench.h"

struct other_program {
    struct sched *sched; /* set before anything is put */
    char dir[600];
    struct folder_eyes eyes; /* for the camera */
    folder_seen_fn *seen;    /* while a camera looks */
    void *seen_arg;
    /* By itself, whenever a frame is asked for: the shutter over that world, and the file in two pieces. */
    struct world *world; /* NULL: it does nothing by itself */
    int64_t lag_us, exposure_us;
    int32_t idle_at;  /* the n-th request (from 1) is not answered */
    int32_t twice_at; /* and to that one come two pictures */
    int32_t asked;    /* requests so far */
    int32_t shots;    /* frames put by itself */
    uint64_t token;   /* asked for last */
    uint8_t *jpeg;    /* the one that is being written; mem_free */
    size_t jpeg_bytes;
    char name[64];
    void (*on_asked)(void *arg, uint64_t token); /* besides */
    void *on_asked_arg;
};

/* An empty folder of that name among the test's files. */
void other_open(struct other_program *, const char *name);
void other_close(struct other_program *);

/* The rest of a camera's life: a new run looks at the same folder, on another clock. */
void other_write(struct other_program *, const char *name, const void *bytes, size_t count); /* more of it */
void other_end(struct other_program *, const char *name);                                    /* closes it */
void other_put(struct other_program *, const char *name, const void *bytes, size_t count);   /* both */
void other_rename(struct other_program *, const char *from, const char *to);

const char *other_path(const struct other_program *, const char *name); /* static storage */

#endif
