/* pool.h - work on other threads, its end delivered on the scheduler's thread.
 *
 *    pool_submit --> work(arg) on a worker --> done(arg) on the thread of sched_step
 *
 * Real clock: done runs once the work has finished. Virtual clock: done runs at submit + cost_us, and the
 * clock waits there for the thread, so the number of workers and the speed of the machine change nothing that
 * can be seen. A pool of one thread runs its work in the order of submission. */
#ifndef STADDLE_BASE_POOL_H
#define STADDLE_BASE_POOL_H

#include "base/err.h"
#include "base/sched.h"

struct pool;
typedef void pool_fn(void *arg);

struct pool *pool_new(struct sched *, int threads, struct err *why);

/* Never blocks. `done` may be NULL. */
int pool_submit(struct pool *, pool_fn *work, pool_fn *done, void *arg, int64_t cost_us, struct err *why);

int pool_pending(const struct pool *); /* submitted, done not yet called */

void pool_free(struct pool *); /* lets submitted work finish; calls no further done; NULL is fine */

#endif
