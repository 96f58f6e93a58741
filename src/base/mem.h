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

/* At the start of a program: from now on buffers of several megabytes go back to the system when they are
 * freed, so that what a long stack takes is what it holds. */
void mem_keep_large_apart(void);

/* Gives memory that is free now back to the system, where it can be told to: at the end of what took much of
 * it. */
void mem_give_back(void);

/* Tests: the n-th allocation from now fails once (1 = the next one); 0 switches this off. */
void mem_fail_at(long n);
long mem_fail_left(void); /* above 0: it has not come to that yet */

#endif
