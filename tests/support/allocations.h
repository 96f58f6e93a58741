/* allocations.h - each allocation of our own fails once, the first, the second, ... until a call passes
 * untouched. Each failure is told (E_NOMEM and a sentence) or got over, and at least one is told. */
#ifndef TESTS_SUPPORT_ALLOCATIONS_H
#define TESTS_SUPPORT_ALLOCATIONS_H

#include "base/err.h"

/* `call` undoes what it did when it succeeds, and `after` (or NULL) looks at what a failure left. Beyond the
 * first hundred every `stride`-th fails. */
void allocations_sweep(const char *name, int (*call)(void *arg, struct err *), void (*after)(void *arg),
                       void *arg, long stride);

#endif
