#include "check/growth.h"

#include <math.h>

#include "check/robust.h"

#define STEPS_LEAST  6    /* besides the one that is asked about */
#define CONFIDENT    0.2F /* of these: a scale that scatters by a fifth of a usual step, and no bias */
#define SIGMAS       6.0  /* that the step has to stand out by */
#define SIGMA_LEAST  1e-4 /* of a sure scale: 0.04 px in the corners of a picture of 800 */
#define GROWTH_LEAST 1.6  /* usual steps */
#define MISSING_MOST 20   /* beyond, the two pictures have nothing in common */

/* ln of the change of scale from frame i to i + 1. */
static double growth(const struct frame_shift *s)
{
    return log((double)s->scale);
}

static bool tells(const struct frame_shift *s)
{
    return s->scale > 0 && (s->trust == SHIFT_GOOD || (s->trust == SHIFT_WEAK && s->confidence >= CONFIDENT));
}

int32_t growth_missing(const struct check_input *in, int32_t i, double *room)
{
    const struct frame_shift *asked = &in->measures[i + 1]->shift;
    int32_t n = 0;
    for (int32_t j = 1; j < in->frames; j++)
        if (j != i + 1 && tells(&in->measures[j]->shift)) room[n++] = growth(&in->measures[j]->shift);
    if (asked->trust != SHIFT_GOOD || n < STEPS_LEAST) return 0;
    const double usual = robust_median(room, n), sigma = fmax(robust_sigma(room, n), SIGMA_LEAST);
    const double steps = growth(asked) / usual;
    if (!(fabs(growth(asked) - usual) > SIGMAS * sigma)) return 0;
    if (!(steps >= GROWTH_LEAST && steps <= MISSING_MOST)) return 0;
    return (int32_t)round(steps - 1);
}
