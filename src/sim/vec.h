/* vec.h - four numbers side by side: red, green, blue and coverage (alpha), colours already multiplied by it.
 */
#ifndef STADDLE_SIM_VEC_H
#define STADDLE_SIM_VEC_H

#include <stdint.h>
#include <string.h>

typedef float v4 __attribute__((vector_size(16)));
typedef float v8 __attribute__((vector_size(32), aligned(16), may_alias)); /* two of them */
typedef double d4 __attribute__((vector_size(32)));
typedef int64_t l4 __attribute__((vector_size(32)));
typedef int32_t i4 __attribute__((vector_size(16)));
typedef uint32_t u4 __attribute__((vector_size(16)));
typedef int16_t s4 __attribute__((vector_size(8)));
typedef int16_t s8 __attribute__((vector_size(16)));

static inline v4 v4_all(float x)
{
    return (v4){x, x, x, x};
}

/* Four alike, and whether all four are true: no functions, since such wide values are not handed over alike
 * by every build. */
#define D4_ALL(x)  ((d4){(x), (x), (x), (x)})
#define L4_TRUE(m) ((m)[0] & (m)[1] & (m)[2] & (m)[3])

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

/* Two of them from 16-bit numbers that lie side by side: each number twice in 32 bits, less the lower one. (A
 * conversion from s4 itself is done number by number by today's compilers.) */
static inline void v4_of_two(const s4 *from, v4 *first, v4 *second)
{
    s8 both;
    memcpy(&both, from, sizeof both);
    const s8 a = __builtin_shufflevector(both, both, 0, 0, 1, 1, 2, 2, 3, 3);
    const s8 b = __builtin_shufflevector(both, both, 4, 4, 5, 5, 6, 6, 7, 7);
    *first = __builtin_convertvector((i4)a >> 16, v4);
    *second = __builtin_convertvector((i4)b >> 16, v4);
}

#endif
