/* fast.h - a loop marked FAST is built twice, once for wide registers, and the machine's own is taken when
 * the program starts. Both do the same arithmetic, so the results are the same to the last bit. */
#ifndef STADDLE_BASE_FAST_H
#define STADDLE_BASE_FAST_H

#include <stdint.h> /* tells, among others, the C library */

/* Not where a sanitizer is not yet ready when that choice is made, nor with clang, whose choice other files
 * do not find. */
#if defined __x86_64__ && defined __GLIBC__ && !defined __SANITIZE_ADDRESS__ && !defined __clang__
#define FAST __attribute__((target_clones("avx2", "default")))
#else
#define FAST
#endif

#endif
