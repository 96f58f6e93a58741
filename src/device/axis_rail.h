/* axis_rail.h - an axis behind a link that speaks the wire of hw-docs/wire.md. */
#ifndef STADDLE_DEVICE_AXIS_RAIL_H
#define STADDLE_DEVICE_AXIS_RAIL_H

#include "base/sched.h"
#include "device/axis.h"
#include "device/link.h"

struct axis_rail_opts {
    const char *port; /* for messages: "the simulated rail", "/dev/ttyUSB0"; borrowed until close */
    int64_t speed_counts_per_s, accel_counts_per_s2; /* 0: what the controller has stored */
    int64_t lo_counts, hi_counts;                    /* both 0: no limits beyond the wire's own */
    int32_t baud;                                    /* 0: 250000; how long a line takes */
    int64_t start_counts_per_s; /* from rest at once; 0: what the controller has stored */
    /* Opens the port once more, for axis_again; NULL: a rail that is gone stays gone. */
    int (*reopen)(void *arg, struct link **out, struct err *);
    void *reopen_arg;
    int64_t smooth_ms; /* within which the acceleration comes and goes; 0: what the controller has stored */
};

/* Takes the link, also when it fails (it is closed then, and by close). Returns at once with phase
 * AXIS_STARTING; hello and state follow on the scheduler, and `notice` tells when phase has become AXIS_REST,
 * or AXIS_GONE. */
int axis_rail_open(struct sched *, struct link *, const struct axis_rail_opts *, struct axis **out,
                   struct err *);

/* What the line went through, for tests and the log. */
struct axis_rail_counts {
    int64_t sent, repeated, resynchronised, damaged; /* lines */
};
void axis_rail_get_counts(const struct axis *, struct axis_rail_counts *out);

#endif
