/* camera.h - something that takes frames. Asynchronous: nothing here waits; what happened comes as events, in
 * order. camera_sim.c: the simulated camera. One thread owns a camera.
 *
 *    trigger(token) -> EXPOSED -> OBJECT (one per file) -> COMPLETE      fetch(object) -> FETCHED
 *                   \-> FAILED (nothing was exposed, or nothing came of it)
 *
 *  1. Every event carries the token of its trigger; a token is used once.
 *  2. EXPOSED comes only where caps say so: from then on the axis may move.
 *  3. After FAILED or GONE no further event of that token comes. */
#ifndef STADDLE_DEVICE_CAMERA_H
#define STADDLE_DEVICE_CAMERA_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "base/sched.h"
#include "staddle/stack.h"

enum camera_cap {
    CAMERA_SAYS_EXPOSED = 1 << 0,
    CAMERA_RECOUNTS = 1 << 1, /* can list what it holds for a token */
    CAMERA_PREVIEWS = 1 << 2,
};

struct camera_facts {
    char model[NAME_ROOM];
    int32_t width_px, height_px;
    int32_t files_per_frame;
    int64_t epoch; /* changes whenever the camera forgot what it was told */
};

struct camera_settings {
    int64_t exposure_us;
    double f_number; /* 0: leave */
    double iso;      /* 0: leave */
    bool flash;
};

struct camera_object {
    char name[NAME_ROOM]; /* the camera's own */
    enum file_role role;
    int64_t bytes;
};

enum camera_event_kind {
    CAMERA_NOTHING,
    CAMERA_EXPOSED,
    CAMERA_OBJECT,
    CAMERA_COMPLETE,
    CAMERA_FETCHED,
    CAMERA_FAILED,
    CAMERA_GONE
};

struct camera_event {
    enum camera_event_kind kind;
    uint64_t token;
    int64_t at_us;
    struct camera_object object; /* OBJECT, FETCHED */
    uint8_t *bytes;              /* FETCHED: the file; the receiver frees it with mem_free */
    int64_t byte_count;
    struct err
        why; /* FAILED, GONE; FETCHED with why.code != 0: the transfer failed and may be asked for again */
};

struct camera;

struct camera_ops {
    const char *name;
    unsigned caps;                                                             /* enum camera_cap bits */
    int (*describe)(struct camera *, struct camera_facts *out, struct err *);  /* cheap, any time */
    int (*set)(struct camera *, const struct camera_settings *, struct err *); /* between exposures only */
    int (*arm)(struct camera *, struct err *);                     /* once before the first trigger */
    int (*trigger)(struct camera *, uint64_t token, struct err *); /* returns at once */
    int (*next_event)(struct camera *, struct camera_event *out,
                      struct err *); /* kind NOTHING when none waits */
    int (*fetch)(struct camera *, uint64_t token, const struct camera_object *,
                 struct err *); /* starts a transfer */
    int (*recount)(struct camera *, uint64_t token, int32_t *objects_out, struct err *); /* -1: cannot tell */
    int (*preview)(struct camera *, uint8_t **jpeg_out, int64_t *bytes_out, struct err *); /* NULL: cannot */
    void (*close)(struct camera *);                                                        /* NULL is fine */
};

/* A backend starts with this. `notice` is called, on the owner's thread, when next_event has something. */
struct camera {
    const struct camera_ops *ops;
    sched_fn *notice;
    void *notice_arg;
};

#endif
