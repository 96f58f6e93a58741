#include "tests/support/allocations.h"

#include <stdbool.h>

#include "base/mem.h"
#include "tests/support/test.h"

#define MOST 5000 /* allocations of one call: far more than there are */
#define EACH                                                                                                 \
    100 /* up to that one each; beyond it the simulated scene is built, which test_world_scene sweeps */

void allocations_sweep(const char *name, int (*call)(void *arg, struct err *), void (*after)(void *arg),
                       void *arg, long stride)
{
    long n = 1, told = 0, tried = 0;
    for (;; n += n < EACH ? 1 : stride, tried++) {
        struct err why = {0};
        assert_true(n < MOST);
        mem_fail_at(n);
        int rc = call(arg, &why);
        bool failed = mem_fail_left() <= 0;
        mem_fail_at(0);
        if (rc && (rc != E_NOMEM || !why.text[0]))
            print_error("%s, allocation %ld: %d '%s'\n", name, n, rc, why.text);
        assert_true(!rc || (failed && rc == E_NOMEM && why.text[0]));
        told += rc != 0;
        if (rc && after) after(arg);
        if (!failed) break;
    }
    print_message("measured: %s: %ld of %ld allocations failed in turn, %ld told\n", name, tried, n - 1,
                  told);
    assert_true(told >= 1);
}
