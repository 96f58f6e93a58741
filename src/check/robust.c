#include "check/robust.h"

#include <math.h>

#include "base/select.h"

static double least_of(const double *v, int32_t count)
{
    double least = v[0];
    for (int32_t i = 1; i < count; i++)
        least = v[i] < least ? v[i] : least;
    return least;
}

double robust_rank(double *values, int32_t count, double share)
{
    if (count <= 0) return NAN;
    const double at = share * (count - 1);
    const int32_t low = (int32_t)floor(at);
    select_kth(values, count, low);
    if (low + 1 >= count) return values[low];
    return values[low] + (at - low) * (least_of(values + low + 1, count - low - 1) - values[low]);
}

double robust_median(double *values, int32_t count)
{
    return robust_rank(values, count, 0.5);
}

double robust_sigma(double *values, int32_t count)
{
    if (count < 2) return 0;
    const double middle = robust_median(values, count);
    for (int32_t i = 0; i < count; i++)
        values[i] = fabs(values[i] - middle);
    return 1.4826 * robust_median(values, count); /* a Gaussian's sigma over its median deviation */
}
