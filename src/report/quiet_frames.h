/* quiet_frames.h - the reference frames of a stack that show it when all was still, measured like any frame:
 * from derived/ where that fits, else from the file. */
#ifndef STADDLE_REPORT_QUIET_FRAMES_H
#define STADDLE_REPORT_QUIET_FRAMES_H

#include "check/check.h"
#include "report/measuring.h"

struct quiet_frames {
    int32_t count, measured_now;
    struct frame_row *rows;
    struct frame_measure *measures;
    struct quiet_frame *list; /* for check; points into the others */
};

/* None is no error. quiet_frames_clear it on success. Errors as measuring_run. */
int quiet_frames_new(struct store *, const struct measuring_opts *, struct quiet_frames *out, struct err *);
void quiet_frames_clear(struct quiet_frames *);

#endif
