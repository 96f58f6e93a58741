/* camera_cable.h - a camera whose release socket hangs on the rail's controller: two contacts are closed, and
 * nothing is ever heard of it. Its frames stay on its card.
 *
 *    trigger -> fire on the wire -> its answer -- half press, full press, exposure --> EXPOSED -- busy -->
 * COMPLETE
 *                   \-> refused: FAILED              \-> the controller restarts, stops or is gone: silence
 *
 *  1. Nothing is fired twice for one token: a repeated line is answered from the controller's memory, and a
 *     line that was lost is sent again only when the controller's own count of releases shows that it did
 *     not act.
 *  2. Whatever leaves open whether the contacts closed, or how long, ends in silence. A recount answers -1.
 */
#ifndef STADDLE_DEVICE_CAMERA_CABLE_H
#define STADDLE_DEVICE_CAMERA_CABLE_H

#include "device/axis.h"
#include "device/camera.h"
#include "staddle/bench.h"

struct camera_cable_opts {
    struct sched *sched;
    const struct camera_spec *spec;
    struct axis *axis; /* borrowed; outlives the camera, which takes its `fired` */
};

int camera_cable_open(const struct camera_cable_opts *, struct camera **out, struct err *);

#endif
