/* rehearse.h - the axis goes over the whole travel of a job and back, slice by slice, without the shutter.
 *
 *    home -> touch -> take-up place -> slice 1 ... slice n -> back -> touch -> home
 *
 * A touch is the place, by counting, at which the near end switch opens when it is approached in small steps.
 * Both touches come from the same side, so play does not show; what shows is steps that were lost or gained
 * on the way (binding, a loose coupling, too much speed). An axis that finds no zero is not touched. */
#ifndef STADDLE_RUN_REHEARSE_H
#define STADDLE_RUN_REHEARSE_H

#include "run/axis_session.h"
#include "staddle/finding.h"

struct rehearsal {
    int32_t slices, reached;
    int64_t start_nm, first_nm, last_nm; /* start: before the take-up */
    int64_t home_us, out_us, back_us;
    int64_t moves_us;              /* what the moves out should take, by speed and ramp */
    bool touched;                  /* twice */
    int64_t off_nm, resolution_nm; /* second touch against the first */
    bool stopped;                  /* on the way out: by an end switch, or another alarm */
    int64_t stopped_nm;
    char why[256];
    struct finding_list findings; /* findings_clear */
};

/* E_PAUSED: halted by hand. What stands in the way of the axis is a finding, not an error. */
int rehearse(struct axis_session *, struct rehearsal *out, struct err *);

#endif
