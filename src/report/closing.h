/* closing.h - the frame that a stack ends with at its first slice's place, against that slice's. */
#ifndef STADDLE_REPORT_CLOSING_H
#define STADDLE_REPORT_CLOSING_H

#include "check/check.h"
#include "report/measuring.h"

struct closing {
    bool found;
    struct closing_frame frame;
    int32_t measured_now;
};

/* `first`: the first of the stack's frames. The verdict can do without it: a closing frame that is not there,
 * or cannot be read, is none. E_NOMEM, or what the database says. */
int closing_find(struct store *, const struct frame_row *first, const struct measuring_opts *,
                 struct closing *, struct err *);

#endif
