/* camera_sim.h - the simulated camera: a shutter over the world, slow in the ways a real camera is, and
 * faulty on request.
 *
 *    trigger --lag--> opens --exposure--> EXPOSED --object_ready--> OBJECT, COMPLETE     fetch --transfer-->
 * FETCHED
 *
 * The frame is rendered on a thread of the camera's own, from the end of the exposure on; under the virtual
 * clock the declared times alone decide when it is there, so threads change neither the bytes nor their time.
 */
#ifndef STADDLE_DEVICE_CAMERA_SIM_H
#define STADDLE_DEVICE_CAMERA_SIM_H

#include "device/camera.h"
#include "sim/world.h"
#include "staddle/bench.h"

/* Each names the n-th trigger (from 1) of this camera, transfer_at the n-th transfer; 0: never. */
struct camera_sim_faults {
    int32_t fail_at;     /* FAILED, nothing exposed */
    int32_t dark_at;     /* the flash does not fire */
    int32_t lose_at;     /* exposed, COMPLETE, but no object */
    int32_t mute_at;     /* exposed, then silence; recount tells the truth */
    int32_t gone_at;     /* the camera goes in mid exposure */
    int32_t transfer_at; /* one transfer fails; asking again works */
};

struct camera_sim_opts {
    const struct camera_spec *spec;
    struct sched *sched;
    struct world *world; /* borrowed; outlives the camera */
    uint64_t seed;
    int render_threads;      /* for one frame; at least 1 */
    bool silent_shutter;     /* does not say EXPOSED */
    int64_t object_ready_us; /* after the exposure; 0: 300 ms */
    int64_t transfer_us;     /* 0: 600 ms */
    double f_number, iso;    /* for the record in the file until set() says otherwise; 0: not told */
    int64_t focal_length_nm;
    struct camera_sim_faults faults;
    /* a lens with a motor that moves the world's plane of focus; num 0: none */
    int64_t lens_nm_num, lens_nm_den; /* nanometres a count */
    int64_t lens_at_nm;               /* where it stands at first */
    int64_t lens_play_nm;             /* the glass follows once the motor pushes at either side of it */
};

/* Tests: what befalls it now. Unplugged, the body goes on by itself: what it exposes stays on its card, and
 * it is to be had again from back_at_us on. It hangs: says and takes nothing until again. It loses the next
 * frame. */
void camera_sim_unplug(struct camera *, int64_t back_at_us);
void camera_sim_hang(struct camera *);
void camera_sim_lose(struct camera *);

int camera_sim_open(const struct camera_sim_opts *, struct camera **out, struct err *);

#endif
