/* axis_lens.h - the motor of an open camera's lens as an axis: it counts what it asks the motor to go, since
 * nobody can be asked where the lens stands.
 *
 *   move_to --> MOVING --order--> answered --order--> ... --> REST, counted
 *                          |
 *                          +-- busy, at once ----> asked again after a while: it has not moved
 *                          +-- late -------------> counts as gone; the next order waits
 *                          +-- too short --------> goes back a little, and forth from there
 *                          +-- at a stop --------> ALARM, and the position unknown
 *                          +-- nobody knows -----> GONE, and the position unknown
 *
 *  1. No order is repeated unless the camera said at once that it did not take it.
 *  2. The position is unknown after opening, after a stop and after a loss; `here` ends that. It is never
 *     better than counted, and its uncertainty grows with each turn and with each order of a larger size.
 *  3. It borrows the camera: one owner of the link; no order while the camera exposes.
 *  4. A halt lets the order under way end (a motor cannot be called back), and sends no other.
 *  5. Of named sizes the larger are used only where their worth in counts is given. */
#ifndef STADDLE_DEVICE_AXIS_LENS_H
#define STADDLE_DEVICE_AXIS_LENS_H

#include "base/sched.h"
#include "device/axis.h"
#include "device/camera.h"

struct axis_lens_opts {
    struct camera *camera;          /* outlives the axis */
    int32_t worth[LENS_SIZES_MOST]; /* counts of each named size, the first 1; 0: not measured */
    int32_t doubt[LENS_SIZES_MOST]; /* one order may be off by so many; 0: a tenth of its worth */
    int64_t rest_us;                /* after an order, until the motor stands; 0: the default of its kind */
};

/* E_UNSUPPORTED: the camera cannot drive a lens. */
int axis_lens_open(struct sched *, const struct axis_lens_opts *, struct axis **out, struct err *);

#endif
