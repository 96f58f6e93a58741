/* camera.h - something that takes frames. Asynchronous: nothing here waits; what happened comes as events, in
 * order. camera_sim.c: the simulated camera. One thread owns a camera.
 *
 *    trigger(token) -> EXPOSED -> OBJECT (one per file) -> COMPLETE      fetch(object) -> FETCHED
 *                   \-> FAILED (nothing was exposed, or nothing came of it)
 *
 *  1. Every event carries the token of its trigger; a token is used once.
 *  2. EXPOSED comes only where caps say so: from then on the axis may move.
 *  3. After FAILED or GONE no further event of that token comes.
 *  4. One thing at a time: no trigger before COMPLETE or FAILED of the one before, none during a transfer,
 *     one transfer at a time. COMPLETE without OBJECT: the camera exposed and kept nothing; but where caps
 * say that it keeps its files, that the frame is on its card.
 *  5. After a silence recount ends the exposure: nothing more comes of that token, and the next may be fired.
 *  6. A camera that is GONE refuses everything but close and again. After again it holds what it held, has
 * forgotten its settings, and says nothing more of tokens fired before: ask it by held. */
#ifndef STADDLE_DEVICE_CAMERA_H
#define STADDLE_DEVICE_CAMERA_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "base/sched.h"
#include "device/told.h"
#include "staddle/lens.h"
#include "staddle/stack.h"

#define CAMERA_TOKEN_OWN_BITS 44 /* of a token: which exposure of its stack; above them: which stack */

enum camera_cap {
    CAMERA_SAYS_EXPOSED = 1 << 0,
    CAMERA_RECOUNTS = 1 << 1,    /* can list what it holds for a token */
    CAMERA_PREVIEWS = 1 << 2,    /* perhaps: some say only when asked that they cannot */
    CAMERA_OTHERS_FIRE = 1 << 3, /* a trigger only waits for the frame that somebody else takes */
    CAMERA_KEEPS_FILES = 1 << 4, /* its frames stay on its card: COMPLETE comes without OBJECT */
    CAMERA_OVER_AXIS = 1 << 5,   /* fired by the axis' controller, which outlives it */
};

struct camera_facts {
    char model[NAME_ROOM];
    int32_t width_px, height_px;
    int32_t files_per_frame;
    int64_t epoch;   /* changes whenever the camera forgot what it was told */
    int64_t wait_us; /* others fire it: how long that may take */
};

struct camera_settings {
    int64_t exposure_us;
    double f_number; /* 0: leave */
    double iso;      /* 0: leave */
    bool flash;
};

struct camera_object {
    char name[256]; /* the camera's own */
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
    CAMERA_GONE,
    CAMERA_REMARK /* any time: `why` is worth telling, and changes nothing; the token may be 0 */
};

struct camera_event {
    enum camera_event_kind kind;
    uint64_t token;
    int64_t at_us;
    int64_t fired_us;            /* EXPOSED: when it was really released; 0: at trigger, as far as is known */
    struct camera_object object; /* OBJECT, FETCHED */
    uint8_t *bytes;              /* FETCHED: the file; the receiver frees it with mem_free */
    int64_t byte_count;
    struct err why; /* FAILED, GONE, REMARK; FETCHED when the transfer failed: it may be asked for again */
};

/* What the record of an earlier run says of a token. */
struct camera_memory {
    int64_t triggered_wall_us;
    const char *object_name; /* "": it had not come so far */
    int64_t object_bytes;
};

/* What came of an order to the lens. */
struct lens_answer {
    enum lens_result result;
    int64_t took_us; /* the call that moved it */
    struct err why;  /* not MOVED, LATE */
};

struct camera;

struct camera_ops {
    const char *name;
    unsigned caps; /* enum camera_cap bits */
    /* Cheap, any time. */
    int (*describe)(struct camera *, struct camera_facts *out, struct err *);
    /* Between exposures only. */
    int (*set)(struct camera *, const struct camera_settings *, struct err *);
    /* Once before the first trigger. */
    int (*arm)(struct camera *, struct err *);
    /* Returns at once. */
    int (*trigger)(struct camera *, uint64_t token, struct err *);
    /* Kind NOTHING when none waits. */
    int (*next_event)(struct camera *, struct camera_event *out, struct err *);
    /* Starts a transfer. */
    int (*fetch)(struct camera *, uint64_t token, const struct camera_object *, struct err *);
    /* How many objects it holds for the token; -1: cannot tell. Asked where it
     * RECOUNTS, and where it keeps its files: there it only ends the exposure. */
    int (*recount)(struct camera *, uint64_t token, int32_t *objects_out, struct err *);
    /* NULL: cannot. */
    int (*preview)(struct camera *, uint8_t **jpeg_out, int64_t *bytes_out, struct err *);
    void (*close)(struct camera *);
    /* The objects that it holds for the token; NULL: cannot. */
    int (*held)(struct camera *, uint64_t token, struct camera_object *out, int32_t most, int32_t *count_out,
                struct err *);
    /* Before a recount in a later run, for a camera that keeps nothing in mind itself. NULL: needs none. */
    void (*remind)(struct camera *, uint64_t token, const struct camera_memory *);
    /* Looks once whether a camera that is gone, or hangs, is there again; E_IO or E_TIMEOUT: not yet. NULL:
     * cannot. */
    int (*again)(struct camera *, struct err *);
    /* Its lens's motor; both NULL: it has none that could be driven. Not while a trigger waits for COMPLETE
     * or FAILED. drive starts one order, and one at a time; `driven` brings what came of it. */
    int (*lens)(struct camera *, struct lens_kind *out, struct err *);
    int (*drive)(struct camera *, int32_t order, struct err *);
    /* Everything that it tells of itself, and one of those settings to one of its own words: between
     * exposures, seconds. NULL: it cannot be asked. */
    int (*tell)(struct camera *, struct told *out, struct err *);
    int (*turn)(struct camera *, const char *setting, const char *word, struct err *);
};

/* A backend starts with this. `notice` is called, on the owner's thread, when next_event has something. */
struct camera {
    const struct camera_ops *ops;
    sched_fn *notice;
    void *notice_arg;
    /* Of the lens's axis: on the owner's thread, once for each order; LENS_LOST also without one, when the
     * camera was lost sight of. */
    void (*driven)(void *arg, const struct lens_answer *);
    void *driven_arg;
    told_word low_battery; /* what it told of it last, where that was little; "" */
    /* kept by the wrappers below */
    bool armed, exposing, transferring, gone;
    uint64_t last_token;
};

/* What to say of one that is gone: its cable, or its battery where that was low. */
const char *camera_gone_advice(const struct camera *, char *room, size_t size);

/* The operations with the checks that every backend shares. Errors: E_STATE called out of order,
 * E_UNSUPPORTED this camera cannot, E_IO the camera is gone, E_TIMEOUT it did not take the command (nothing
 * was exposed; may be tried again); whatever the backend says besides. */
const char *camera_name(const struct camera *);
unsigned camera_caps(const struct camera *); /* enum camera_cap bits */
int camera_describe(struct camera *, struct camera_facts *out, struct err *);
int camera_set(struct camera *, const struct camera_settings *, struct err *);
int camera_arm(struct camera *, struct err *);
int camera_trigger(struct camera *, uint64_t token, struct err *);
int camera_next_event(struct camera *, struct camera_event *out, struct err *);
int camera_fetch(struct camera *, uint64_t token, const struct camera_object *, struct err *);
int camera_recount(struct camera *, uint64_t token, int32_t *objects_out, struct err *);
/* count -1: cannot tell. */
int camera_held(struct camera *, uint64_t token, struct camera_object *out, int32_t most, int32_t *count_out,
                struct err *);
int camera_preview(struct camera *, uint8_t **jpeg_out, int64_t *bytes_out, struct err *);
void camera_remind(struct camera *, uint64_t token, const struct camera_memory *);
int camera_again(struct camera *, struct err *);
int camera_lens(struct camera *, struct lens_kind *out, struct err *); /* E_UNSUPPORTED: no motor */
int camera_drive(struct camera *, int32_t order, struct err *);
int camera_tell(struct camera *, struct told *out, struct err *); /* told_clear it */
int camera_turn(struct camera *, const char *setting, const char *word, struct err *);
void camera_close(struct camera *); /* NULL is fine */

#endif
