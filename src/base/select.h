/* select.h - the k-th smallest of some values without sorting them all. source  C. A. R. Hoare, "Algorithm
 * 65: find", 1961 (from memory) */
#ifndef STADDLE_BASE_SELECT_H
#define STADDLE_BASE_SELECT_H

#include <stdint.h>

/* The value that would be k-th from below (0 the least) if they were in order. It stands at k afterwards,
 * with none that is larger before it and none that is smaller behind it; no NAN among them. */
double select_kth(double *values, int32_t count, int32_t k);

#endif
