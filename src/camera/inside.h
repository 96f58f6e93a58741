/* inside.h - what the parts of the camera program share: the library's camera, one widget of it, and how it
 * fails. Only src/camera includes it. */
#ifndef STADDLE_CAMERA_INSIDE_H
#define STADDLE_CAMERA_INSIDE_H

#include <gphoto2/gphoto2.h>

#include "camera/body.h"

struct body {
    Camera *camera;
    GPContext *context;
    char port[BODY_TEXT_ROOM];
    bool to_ram;         /* frames wait there, not on its card */
    char said[200];      /* by the library, last */
    int64_t exposure_us; /* what was set last */
    double f_number, iso;
    int64_t mirror_up_us;
    char drive_was[BODY_TEXT_ROOM]; /* before it was set to mirror-up; "": it was not */
    bool by_bulb;                   /* this exposure time is kept from here */
    int64_t shut_at_us;             /* the shutter is open until then; 0: it is not */
    bool doubted;                   /* something failed that may mean that the link went down */
    int32_t losses;                 /* how often it had */
};

/* The library's names; gp_widget_free what get gives. The library says yes to names that the family knows
 * nothing of, and gives no widget: that is GP_ERROR_BAD_PARAMETERS here. put sends always, also what it was.
 */
int body_get_widget(struct body *, const char *name, CameraWidget **out);
int body_put_widget(struct body *, const char *name, CameraWidget *, const void *value);

/* bulb.c. set: by_bulb is true where the time is longer than any that the camera has, and it can do that;
 * else nothing was set. wait: shuts when that is due within so many milliseconds, which it waits for; the
 * library's codes. */
int body_bulb_set(struct body *, int64_t exposure_us, struct err *);
int body_bulb_open(struct body *);
int body_bulb_shut(struct body *);
int body_bulb_wait(struct body *, int *most_ms);

/* mirror.c: also after a link that went down; and as it was before. */
void body_mirror_ready(struct body *);
void body_mirror_back(struct body *);

/* The library's error, as ours: what failed, why, and what to do. */
int body_refused(struct body *, int gp, const char *what, struct err *);

#endif
