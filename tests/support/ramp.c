#include "tests/support/ramp.h"

#include <math.h>
#include <stdbool.h>

#define CLOSE_S 0.002

/* Steps that have gone by at time t, straight from edge to edge; *i: the edge before, to go on from. */
static double place(const double *at_s, int32_t edges, double t, int32_t *i)
{
    while (*i + 2 < edges && at_s[*i + 1] <= t)
        (*i)++;
    while (*i > 0 && at_s[*i] > t)
        (*i)--;
    return *i + (t - at_s[*i]) / (at_s[*i + 1] - at_s[*i]);
}

struct ramp_seen ramp_see(const double *at_s, int32_t edges)
{
    struct ramp_seen seen = {0};
    const double h = RAMP_WINDOW_S;
    int32_t first = 0, last = 0, k[4] = {0};
    if (edges < 3) return seen;
    for (double t = at_s[0] + 1.5 * h; t + 1.5 * h < at_s[edges - 1]; t += 0.001) {
        double x[4];
        bool close = true;
        while (at_s[first + 1] < t - 1.5 * h)
            first++;
        while (last + 1 < edges && at_s[last] < t + 1.5 * h)
            last++;
        for (int32_t i = first; i < last && close; i++)
            close = at_s[i + 1] - at_s[i] < CLOSE_S;
        if (!close) continue;
        for (int i = 0; i < 4; i++)
            x[i] = place(at_s, edges, t + (i - 1.5) * h, &k[i]);
        seen.looks++;
        seen.speed = fmax(seen.speed, (x[2] - x[1]) / h);
        seen.accel = fmax(seen.accel, fabs(x[2] - 2 * x[1] + x[0]) / (h * h));
        seen.jerk = fmax(seen.jerk, fabs(x[3] - 3 * x[2] + 3 * x[1] - x[0]) / (h * h * h));
    }
    return seen;
}
