/* sweep.h - a small stack is shot, stopped somewhere, and gone on with: what each such test does and checks.
 */
#ifndef TESTS_SUPPORT_SWEEP_H
#define TESTS_SUPPORT_SWEEP_H

#include "tests/support/faulty.h"
#include "tests/support/small.h"

enum sweep_how { SWEEP_NOT, SWEEP_KILL, SWEEP_PAUSE, SWEEP_HALT };

struct sweep {
    /* in */
    const struct shoot_job *job;
    const char *dir;
    enum sweep_how how;
    int64_t at; /* event count */
    struct faulty faults;
    struct camera_sim_faults camera;
    /* out */
    bool begun; /* the stack and its plan are there */
    int rc;
    struct run_result result; /* run_result_clear it */
    int32_t shots;            /* that the world's shutter made */
    struct rig *rig;          /* while it is open */
};

/* One run until its end; checks that the axis stands still and stays where it is, and that the stack is
 * consistent. */
void sweep_shoot(struct sweep *);

/* The same without the last check, for faults that may keep the stack from coming about. */
void sweep_try(struct sweep *);

/* Goes on without faults until the stack is whole; checks that it is, and that no slice was exposed more
 * often than its attempts that are not kept explain. Returns the shots of this run. */
int32_t sweep_finish(const struct sweep *);

#endif
