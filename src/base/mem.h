/* mem.h - allocation that checks its product, zeroes, and can be told to fail (tests). */
#ifndef STADDLE_BASE_MEM_H
#define STADDLE_BASE_MEM_H

#include <stddef.h>

#include "base/err.h"

/* `count` zeroed objects of `size` bytes; NULL with a sentence in `why` when there is no room. Free with
 * mem_free. */
void *mem_new(size_t count, size_t size, struct err *why);

/* Grows an array to hold `count` objects; new ones are zeroed. On failure returns NULL and *old stays valid.
 */
void *mem_grow(void *old, size_t old_count, size_t count, size_t size, struct err *why);

char *mem_copy_text(const char *text, struct err *why);

void mem_free(void *p);

/* Tests: the n-th allocation from now fails once (1 = the next one); 0 switches this off. */
void mem_fail_at(long n);
long mem_fail_left(void); /* above 0: it has not come to that yet */

#endif
