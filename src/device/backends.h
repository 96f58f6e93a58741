/* backends.h - the one list of cameras, axes and links. Adding a device is adding a row (and its file). */
#ifndef STADDLE_DEVICE_BACKENDS_H
#define STADDLE_DEVICE_BACKENDS_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "device/axis.h"
#include "device/camera.h"
#include "device/camera_sim.h"
#include "device/folder_watch.h"
#include "device/link.h"
#include "device/person.h"
#include "firmware/native/native.h"
#include "staddle/bench.h"

/* What the openers may need; each takes what it understands. Borrowed, and outlives the devices. */
struct backend_env {
    struct sched *sched;
    const struct bench *bench;
    const struct camera_sim_opts *camera_sim; /* NULL: no world here */
    struct camera *camera;                    /* opened, whose lens is an axis; NULL: none */
    struct axis *axis;                        /* opened, whose controller fires a camera; NULL: none */
    struct native_rail *controller;           /* of the simulated link; NULL: no world here */
    int64_t link_latency_us;                  /* of the simulated link; 0 its default, negative none */
    /* Tests: puts something around the link just opened; takes it, and gives back what stands for it; NULL:
     * it could not be opened. Called again whenever the link is. */
    struct link *(*wrap_link)(void *arg, struct sched *, struct link *);
    void *wrap_arg;
    int64_t speed_counts_per_s, accel_counts_per_s2, start_counts_per_s, smooth_ms;
    const struct folder_eyes *eyes; /* of a folder; NULL: inotify */
    const struct person *person;    /* who turns a knob, and is told what to do; NULL: nobody */
    int64_t take_up_counts;         /* of a knob: how far before a place it is come to from */
    bool asks_surely;               /* of a knob: an answer will be needed */
    bool frame_answers;             /* of a knob: a frame that comes says that it was turned */
};

struct camera_backend {
    const char *kind; /* as in the bench file: camera.kind */
    bool simulated;
    bool over_axis; /* opened after the axis, which it borrows, and closed before it */
    int (*open)(const struct backend_env *, struct camera **out, struct err *);
};

struct link_backend {
    const char *kind; /* as in axis.link, or what a path there leads to */
    bool simulated;
    int (*open)(const struct backend_env *, struct link **out, struct err *);
};

struct axis_backend {
    const char *kind;                                                   /* axis.kind */
    int (*open)(struct backend_env *, struct axis **out, struct err *); /* keeps it, to open the link again */
};

/* E_UNSUPPORTED with the list of those that there are. A link may also be the path of a port. */
int backend_camera(const char *kind, const struct camera_backend **out, struct err *);
int backend_axis(const char *kind, const struct axis_backend **out, struct err *);
int backend_link(const char *kind, const struct link_backend **out, struct err *);

#endif
