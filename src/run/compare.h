/* compare.h - is the set still as it was? A slice of an earlier run is shot once more, from the same place,
 * and laid over its kept frame: shift, scale, light.
 *
 * A resume shoots the last two kept slices before the gap so, as references: they count for no slice, and
 * what is new is fired only once both are judged. What differs a little is told and recorded; what differs
 * much ends the run with E_STATE, since the frames to come would not fit those that are here. */
#ifndef STADDLE_RUN_COMPARE_H
#define STADDLE_RUN_COMPARE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum compare_verdict { COMPARE_SAME, COMPARE_DIFFERS, COMPARE_TOO_MUCH };

struct compare_found {
    int32_t width_px, height_px;
    double scale_change; /* of the plan: by how much a fixed point grows from the first slice to the last; 0:
                            not known */
    bool shift_known;    /* else dx_px, dy_px and scale mean nothing, */
    bool shift_due;      /* and that is no wonder unless there is enough in the picture to compare */
    double dx_px, dy_px, scale, light_stops;
};

/* Pure. `text` (128 is enough) says all that was found, whatever the verdict. */
enum compare_verdict compare_judge(const struct compare_found *, char *text, size_t room);

#endif
