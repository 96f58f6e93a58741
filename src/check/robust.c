#include "check/robust.h"

#include <math.h>
#include <stdlib.h>

static int by_value(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

double robust_rank(double *values, int32_t count, double share)
{
    if (count <= 0) return NAN;
    qsort(values, (size_t)count, sizeof *values, by_value);
    const double at = share * (count - 1);
    const int32_t low = (int32_t)floor(at);
    if (low + 1 >= count) return values[count - 1];
    return values[low] + (at - low) * (values[low + 1] - values[low]);
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
