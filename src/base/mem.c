#include "base/mem.h"

#include <stdatomic.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#ifdef __GLIBC__
#include <malloc.h>
#endif

#define LARGE (4 << 20) /* bytes: a file of 24 MP and more, but no plane of a view */

static atomic_long fail_in;

void mem_fail_at(long n)
{
    atomic_store(&fail_in, n);
}

long mem_fail_left(void)
{
    return atomic_load(&fail_in);
}

static int told_to_fail(void)
{
    if (atomic_load(&fail_in) == 0) return 0;
    return atomic_fetch_sub(&fail_in, 1) == 1;
}

static int fits(size_t count, size_t size)
{
    return size && count <= PTRDIFF_MAX / size;
}

void *mem_new(size_t count, size_t size, struct err *why)
{
    if (count == 0) count = 1;
    void *p = told_to_fail() || !fits(count, size) ? NULL : calloc(count, size);
    if (!p) fail(why, E_NOMEM, "no memory for %zu x %zu bytes; close other programs", count, size);
    return p;
}

void *mem_grow(void *old, size_t old_count, size_t count, size_t size, struct err *why)
{
    void *p = NULL;
    if (fits(count, size) && !told_to_fail()) p = realloc(old, count * size);
    if (!p) {
        fail(why, E_NOMEM, "no memory for %zu x %zu bytes; close other programs", count, size);
        return NULL;
    }
    if (count > old_count) memset((char *)p + old_count * size, 0, (count - old_count) * size);
    return p;
}

char *mem_copy_text(const char *text, struct err *why)
{
    size_t n = strlen(text) + 1;
    char *p = mem_new(n, 1, why);
    if (p) memcpy(p, text, n);
    return p;
}

void mem_free(void *p)
{
    free(p);
}

void mem_keep_large_apart(void)
{
#ifdef __GLIBC__
    mallopt(M_MMAP_THRESHOLD, LARGE);
#endif
}

void mem_give_back(void)
{
#ifdef __GLIBC__
    malloc_trim(0);
#endif
}
