/* robust.h - middles and spreads that a few wild values do not move. All reorder the values they are given.
 */
#ifndef STADDLE_CHECK_ROBUST_H
#define STADDLE_CHECK_ROBUST_H

#include <stdint.h>

double robust_rank(double *values, int32_t count,
                   double share);                    /* share 0..1 of the sorted values; NAN for none */
double robust_median(double *values, int32_t count); /* NAN for none */
double robust_sigma(double *values, int32_t count);  /* 1.4826 x median of |v - median|; 0 for fewer than 2 */

#endif
