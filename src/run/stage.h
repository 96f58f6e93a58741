/* stage.h - what stands behind the devices of a bench that is simulated in part or as a whole: the world,
 * what moves it, and the person at its knobs. Only bench.c and stage.c include it. */
#ifndef STADDLE_RUN_STAGE_H
#define STADDLE_RUN_STAGE_H

#include "device/backends.h"
#include "run/bench.h"
#include "sim/world_port.h"

/* What stands behind the devices of a simulated bench. */
struct stage {
    struct native_rail *controller; /* NULL: a virtual rail in another process, which knocks at the port */
    struct body *body;              /* behind the controller's shutter contacts; NULL: none */
    struct world_port *port;
    struct bench bench; /* as given, with the world in place of every device that is not there */
    struct camera_sim_opts camera;
    struct backend_env env; /* what the devices were opened with, and may be again */
    int64_t switch_counts, backlash_counts;
    int64_t num, den;           /* nanometres a count */
    const struct person *given; /* the person at this bench; NULL: nobody */
    struct person person;       /* between that one and the devices: moves the world along */
    struct camera *lens_camera; /* opened for its lens alone: the rig has none */
    struct axis *knob;          /* that a played person is turning */
    sched_id turning;
};

/* Makes r->stage, and r->world where any device is a simulated one. After a failure, too, bench_close. */
int stage_build(struct rig *, const struct rig_opts *, struct err *);
/* Not the world; NULL is fine. */
void stage_free(struct stage *);

int64_t stage_counts(const struct plan *, int64_t nm);

#endif
