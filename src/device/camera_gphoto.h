/* camera_gphoto.h - a real camera, over USB or a network, through the camera program (src/camera), which
 * alone is linked to libgphoto2. Real clock only.
 *
 * The program may hang or fall over at any moment: it is then replaced, and its settings are applied again.
 * Of an exposure that was under way the card tells: it is read anew and compared with what lay there when the
 * camera was armed, and what is found comes as its events, as if nothing had happened. What another run
 * exposed cannot be told (-1). */
#ifndef STADDLE_DEVICE_CAMERA_GPHOTO_H
#define STADDLE_DEVICE_CAMERA_GPHOTO_H

#include "device/camera.h"
#include "staddle/bench.h"

struct camera_gphoto_opts {
    struct sched *sched;
    const struct camera_spec *spec; /* size of its pictures */
    const char *port;               /* "": the first camera that is found */
    const char *program;            /* NULL: staddle-camera beside this program, or in ../libexec/staddle */
    int64_t
        silence_us; /* after the exposure before the program counts as hung; 0: 20 s, 6 s over a network */
};

/* Blocks until the camera is open, half a minute at most. E_STATE: a person has to look at it. */
int camera_gphoto_open(const struct camera_gphoto_opts *, struct camera **out, struct err *);

#endif
