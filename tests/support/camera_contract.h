/* camera_contract.h - what every camera has to do, however it is reached: src/device/camera.h, sentence by
 * sentence. */
#ifndef TESTS_SUPPORT_CAMERA_CONTRACT_H
#define TESTS_SUPPORT_CAMERA_CONTRACT_H

#include "device/camera.h"
#include "sim/world.h"
#include "tests/support/other_program.h"

struct camera_subject {
    struct sched *sched;
    struct world *world; /* NULL: the camera sees none */
    struct bench bench;
    struct scene_spec scene;
    struct camera *camera;
    struct other_program other;     /* fires a camera of kind folder */
    void *emulated;                 /* the case's own */
    struct native_rail *controller; /* fires one of kind cable */
    struct body *body;
    struct axis *axis;
    bool noticed;
};

struct camera_case {
    const char *name;
    void (*open)(struct camera_subject *);
    void (*close)(struct camera_subject *);
    int32_t (*released)(struct camera_subject *); /* how often the shutter really was */
    void (*mute)(struct camera_subject *); /* the next trigger is followed by silence; NULL: cannot be */
    bool previews;
    int64_t silence_us; /* nothing comes any more */
};

void camera_subject_listen(struct camera_subject *);
void camera_subject_ready(struct camera_subject *); /* set and armed */
/* The next event, or kind NOTHING when none comes before the deadline. */
struct camera_event camera_subject_next(struct camera_subject *, int64_t until_us);
struct camera_event camera_subject_expect(struct camera_subject *, enum camera_event_kind, uint64_t token);
/* One exposure's events; the object's. */
struct camera_event camera_subject_expect_exposure(struct camera_subject *, uint64_t token);

/* Runs the tests over each case; how many failed. */
int camera_contract(const struct camera_case *, int count);

#endif
