/* ramp.h - speed, acceleration and jerk of a row of step edges, by finite differences. */
#ifndef TESTS_SUPPORT_RAMP_H
#define TESTS_SUPPORT_RAMP_H

#include <stdint.h>

struct ramp_seen {
    double speed, accel, jerk; /* largest, steps/s, steps/s^2, steps/s^3 */
    int32_t looks;             /* places at which there were edges enough to tell */
};

/* at_s: times of the edges, growing. Differences over RAMP_WINDOW_S; of a motion whose jerk keeps a limit
 * they are weighted means of it and so never larger, but for the rounding to edges and to slots of a
 * millisecond: less than 5 % of what the usual settings give. Looks only where edges lie closer than 2 ms. */
#define RAMP_WINDOW_S 0.016
struct ramp_seen ramp_see(const double *at_s, int32_t edges);

#endif
