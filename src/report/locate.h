/* locate.h - from a place in the picture to the files in which it is sharpest, by their names in the stack
 * and in the hand-over. `staddle where` and the report page say what is gathered here. */
#ifndef STADDLE_REPORT_LOCATE_H
#define STADDLE_REPORT_LOCATE_H

#include "report/judge.h"
#include "report/selection.h"

struct locate {
    struct where_map map;
    bool handed_known; /* something of the stack is useful, so it can be handed over: */
    struct selection handed;
};

int locate_new(struct store *, const struct judgement *, struct locate *out, struct err *);
void locate_clear(struct locate *); /* safe on a zeroed struct */

/* The name that a frame's first file has in the hand-over; "" when it is left out. */
const char *locate_handed_name(const struct locate *, const struct judgement *, int32_t frame);

/* The frame with a file of that name, in the stack or in the hand-over; E_INPUT when there is none. */
int locate_frame(const struct locate *, const struct judgement *, const char *name, int32_t *frame_out,
                 struct err *);

#endif
