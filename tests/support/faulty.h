/* faulty.h - devices that fail once: the n-th call of any of them, counted over both, returns an error
 * instead of being passed on. For sweeps: fail the 1st, the 2nd, ... until a run passes untouched. */
#ifndef TESTS_SUPPORT_FAULTY_H
#define TESTS_SUPPORT_FAULTY_H

#include "device/axis.h"
#include "device/camera.h"

struct faulty {
    long fail_at;       /* 0: never */
    enum errc code;     /* what it fails with */
    long calls;         /* so far */
    const char *failed; /* the call that failed, NULL when none has */
};

/* Both take the device and give back what stands for it; arg is a struct faulty that outlives it. */
struct camera *faulty_camera(void *arg, struct camera *);
struct axis *faulty_axis(void *arg, struct axis *);

#endif
