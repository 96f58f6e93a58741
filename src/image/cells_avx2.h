/* cells_avx2.h - two of cells_sums.h's for machines that have AVX2: the same results to the last bit. */
#ifndef STADDLE_IMAGE_CELLS_AVX2_H
#define STADDLE_IMAGE_CELLS_AVX2_H

#include "image/cells_sums.h"

#ifdef __x86_64__
#define CELLS_AVX2
void cells_sum_full_avx2(const uint8_t *const rows[], int32_t count, struct cells_line);
void cells_sum_half_avx2(const uint16_t *const rows[], int32_t count, struct cells_line);
#endif

#endif
