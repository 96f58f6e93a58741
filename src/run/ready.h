/* ready.h - is the camera set as a stack needs it? What it tells of itself, fact by fact: as it should be,
 * wrong, or not told. Pure: it asks nobody.
 *
 * A finding is grave where frames of one stack would differ from each other, or the stack could not be shot
 * to its end; those stop a run. The others cost time or quality. What a camera does not tell is one finding,
 * with all of it in one line. Which settings matter: common practice, no source. */
#ifndef STADDLE_RUN_READY_H
#define STADDLE_RUN_READY_H

#include "device/told.h"
#include "staddle/finding.h"

enum ready_fact {
    READY_BATTERY,
    READY_SPACE,
    READY_SHOTS_LEFT,
    READY_EXPOSURE_MODE,
    READY_AUTO_ISO,
    READY_WHITE_BALANCE,
    READY_AUTOFOCUS,
    READY_STABILISER,
    READY_FORMAT,
    READY_LONG_EXPOSURE,
    READY_TONE,
    READY_DISTORTION,
    READY_DRIVE,
    READY_BRACKETING,
    READY_REVIEW,
    READY_POWER_OFF,
    READY_CLOCK,
    READY_FACTS
};

enum ready_state { READY_UNKNOWN, READY_GOOD, READY_WRONG };

/* What the job asks of it; 0: not known. */
struct ready_job {
    int32_t frames; /* still to be shot */
    int64_t exposure_us;
    int64_t frame_every_us; /* from one to the next */
    double f_number;        /* as the camera should show it; 0: not looked at */
    bool lens_is_axis;      /* its motor is driven: the lens's switch must stand on autofocus */
    bool to_ram;            /* its card is not used */
};

struct ready {
    enum ready_state states[READY_FACTS];
    struct finding_list findings; /* owned: ready_clear */
};

const char *ready_name(enum ready_fact); /* "exposure mode" */

int ready_judge(const struct told *, const struct ready_job *, struct ready *out, struct err *);
void ready_clear(struct ready *); /* NULL is fine */

/* E_STATE with all that is grave in one sentence; E_OK where nothing is. */
int ready_refuse(const struct ready *, struct err *);

#endif
