/* bench.h - an opened bench: clock, devices (or the world in place of them), worker threads, and the one
 * place that waits.
 *
 *    notice of the axis --+
 *    notice of the camera +--> bench_wait --> one event, in order --> the loop
 *    finished work -------+
 *    wishes (Ctrl-C) -----+
 *    USB: plugged, pulled +
 *
 * One thread owns a rig. Nothing moves and nothing fires until the loop says so. */
#ifndef STADDLE_RUN_BENCH_H
#define STADDLE_RUN_BENCH_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "base/pool.h"
#include "base/sched.h"
#include "device/axis.h"
#include "device/camera.h"
#include "device/camera_sim.h"
#include "device/folder_watch.h"
#include "device/person.h"
#include "device/usb.h"
#include "image/measure.h"
#include "sim/body.h"
#include "sim/world.h"
#include "staddle/bench.h"
#include "staddle/plan.h"

/* How fast the simulated parts are. Zero means the default, negative means none. */
struct rig_times {
    int64_t commit_us;                             /* a durable commit, declared: 5 ms */
    int64_t measure_us;                            /* measuring one frame, declared: 250 ms */
    int64_t object_ready_us, transfer_us, link_us; /* see camera_sim.h, link_mem.h */
};

struct rig_opts {
    const struct bench *bench;
    const struct job *job;
    const struct plan *plan;
    uint64_t seed;
    bool virtual_clock;             /* and the world in place of every device, whatever the bench file says */
    int64_t start_us;               /* virtual clock: what it shows when the bench opens */
    int workers;                    /* 0: one for each core, at most 8 */
    bool no_camera;                 /* the axis alone; rig->camera is NULL */
    bool no_axis;                   /* the camera alone; rig->axis is NULL */
    const struct person *person;    /* at knobs; NULL: nobody. On the virtual clock one is played */
    const struct folder_eyes *eyes; /* tests: the folder camera, also on the virtual clock, sees by these */
    bool quiet_world;
    bool scene_later; /* of the simulated bench, which many commands never look at: built for
                         the first picture, and not before anything is said */
    bool silent_shutter;
    const char *card; /* of a simulated body on a cable: a folder; NULL: no card is in it */
    struct body_clock card_clock;
    struct rig_times times;
    struct camera_sim_faults faults;
    /* Tests: put something around a device just opened; takes it, and gives back what stands for it. */
    struct camera *(*wrap_camera)(void *arg, struct camera *);
    struct axis *(*wrap_axis)(void *arg, struct axis *);
    struct link *(*wrap_link)(void *arg, struct sched *, struct link *);
    /* and time that passes elsewhere together with the virtual clock's: see sched.h */
    bool (*pass)(void *arg, struct sched *, int64_t to_us);
    void *wrap_arg;
};

enum rig_event_kind { RIG_DEADLINE, RIG_AXIS, RIG_CAMERA, RIG_WORK, RIG_WISH, RIG_PLUGGED, RIG_PULLED };

struct rig_event {
    enum rig_event_kind kind;
    struct camera_event camera; /* CAMERA; its bytes are the receiver's */
    struct work *work;          /* WORK: the receiver's */
    int wishes;                 /* WISH: how often so far */
};

/* A piece of work on another thread. Starts the caller's own record. */
struct work {
    struct rig *rig;
    void (*run)(struct work *);  /* on the other thread */
    void (*free)(struct work *); /* NULL: mem_free */
    int kind;                    /* the caller's */
    struct work *next;           /* while it waits as an event */
    struct work *next_out;       /* while it is out */
};

struct rig {
    struct sched *sched;
    struct pool *disk; /* one thread: the store's */
    struct pool *measurers;
    struct camera *camera;
    struct axis *axis;
    struct world *world; /* NULL on a real bench */
    int workers;
    int64_t commit_us, measure_us;
    /* the rest belongs to bench.c */
    struct spaces *spaces;
    struct stage *stage; /* the controller and the link of a simulated rail */
    bool axis_noticed, camera_noticed;
    struct usb_watch *usb;           /* NULL: not watched */
    char camera_path[USB_PATH_ROOM]; /* where the camera hangs; "" not known */
    bool plugged, pulled;
    struct work *first_done, **last_done, *out;
    int wishes, wishes_seen;
};

int bench_open(const struct rig_opts *, struct rig **out, struct err *);
void bench_close(struct rig *); /* halts, waits for the threads, frees; NULL is fine */

/* The next event, or kind DEADLINE with now >= deadline when nothing came first. The only wait of a run. */
void bench_wait(struct rig *, int64_t deadline_us, struct rig_event *out);

/* A wish from within the program (a panel, a test), as Ctrl-C is one from outside. */
void bench_wish(struct rig *);
int bench_wishes(const struct rig *); /* so far, from within and outside */

/* Something was plugged in at this path, or pulled out: from the watch, or a test. What comes is the event
 * PLUGGED (whatever it was), or PULLED when it was the camera. */
void bench_plug(struct rig *, bool arrived, const char *path);

/* Hands work to the disk's thread or to a measurer; it comes back as an event. `cost_us` is declared (virtual
 * clock). On failure the work stays the caller's. */
int bench_submit(struct rig *, struct pool *, struct work *, int64_t cost_us, struct err *);
void work_free(struct work *); /* NULL is fine */

/* What a measurer works in; any thread. NULL when there is no memory. Give it back. */
struct measure_space *bench_take_space(struct rig *, struct err *);
void bench_give_space(struct rig *, struct measure_space *);

/* Tests: the controller of a simulated rail; NULL where there is none in this process. */
struct native_rail;
struct native_rail *bench_controller(const struct rig *);
/* Tests: the simulated body behind the controller's shutter contacts; NULL where there is none. */
struct body *bench_body(const struct rig *);

/* What has to be done with the axis' zero after homing, in counts: the position that this place is given. */
int64_t bench_home_counts(const struct rig *, int64_t counts_after_homing);

#endif
