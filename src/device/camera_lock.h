/* camera_lock.h - one staddle at a camera: a lock on a file named after its port, in the user's runtime
 * folder. It goes with the process, however that ends. */
#ifndef STADDLE_DEVICE_CAMERA_LOCK_H
#define STADDLE_DEVICE_CAMERA_LOCK_H

#include "base/err.h"

/* *fd_out: the lock, to be let go of. E_STATE with who holds it. */
int camera_lock_take(const char *port, int *fd_out, struct err *);
void camera_lock_let_go(int fd); /* negative is fine */

#endif
