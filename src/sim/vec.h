/* vec.h - four numbers side by side: red, green, blue and coverage (alpha), colours already multiplied by it.
 */
#ifndef STADDLE_SIM_VEC_H
#define STADDLE_SIM_VEC_H

#include <stdint.h>

typedef float v4 __attribute__((vector_size(16)));
typedef int32_t i4 __attribute__((vector_size(16)));
typedef uint32_t u4 __attribute__((vector_size(16)));
typedef int16_t s4 __attribute__((vector_size(8)));

static inline v4 v4_all(float x)
{
    return (v4){x, x, x, x};
}

static inline v4 v4_pick(i4 mask, v4 yes, v4 no)
{
    return (v4)(((i4)yes & mask) | ((i4)no & ~mask));
}

static inline v4 v4_max(v4 a, v4 b)
{
    return v4_pick(a > b, a, b);
}

static inline v4 v4_min(v4 a, v4 b)
{
    return v4_pick(a < b, a, b);
}

#endif
