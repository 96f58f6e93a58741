/* sched.h - when things happen. Timed calls, watched descriptors and finished work, all delivered on the one
 * thread that calls sched_step: the only place in the program that waits.
 *
 * A scheduler runs on the real clock (monotonic, waits in poll) or on a virtual one (jumps to the earliest
 * call).
 *  1. Calls due at the same microsecond run in the order in which they were asked for.
 *  2. A call never runs before its time, and time never goes back.
 *  3. Under the virtual clock nothing depends on how fast the machine is. */
#ifndef STADDLE_BASE_SCHED_H
#define STADDLE_BASE_SCHED_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"

struct sched;
typedef void sched_fn(void *arg);
typedef int64_t sched_id; /* 0 is no call */

#define SCHED_NEVER INT64_MAX

struct sched *sched_new_virtual(struct err *why);
struct sched *sched_new_real(struct err *why);
void sched_free(struct sched *); /* pending calls are dropped; NULL is fine */

bool sched_is_virtual(const struct sched *);
int64_t sched_now_us(const struct sched *); /* microseconds since this scheduler began */

/* Time 0 of this scheduler on the monotonic clock that all programs of the machine share; virtual: 0. */
int64_t sched_began_us(const struct sched *);

/* Wall clock for records, microseconds since 1970. Virtual: 2001-01-01T20:00:00Z + now. Read once, when the
 * scheduler begins, and counted from there, time asleep included: so records stay in order whoever sets the
 * machine's clock. */
#define SCHED_VIRTUAL_START_US (978379200LL * 1000000LL)
int64_t sched_wall_us(const struct sched *);

/* Since the scheduler began: how long the machine has slept, which now_us does not count; by how much its
 * wall clock has been set forward (negative: back). */
int64_t sched_slept_us(const struct sched *);
int64_t sched_clock_set_us(const struct sched *);
/* Tests: the machine of a virtual clock sleeps so long; its wall clock is set so much forward. */
void sched_upset(struct sched *, int64_t slept_us, int64_t set_us);

/* Calls fn(arg) at that time, or as soon as possible when it has passed. Returns an id for sched_cancel. */
sched_id sched_at(struct sched *, int64_t at_us, sched_fn *fn, void *arg);
void sched_cancel(struct sched *, sched_id); /* unknown or past ids are fine */

/* Calls fn(arg) whenever fd is readable (real clock; the virtual clock refuses with E_UNSUPPORTED). */
int sched_watch(struct sched *, int fd, sched_fn *fn, void *arg, struct err *why);
void sched_unwatch(struct sched *, int fd);

/* Waits for the next call and runs it: true. Returns false, with now == deadline, when the deadline comes
 * first. A virtual scheduler with nothing to do and no deadline returns false at once. A signal ends a real
 * wait early: true. */
bool sched_step(struct sched *, int64_t deadline_us);

/* Tests of a bench that lives in another process: its time passes together with this virtual clock's.
 * `pass` is called before the clock goes to to_us; when something happened elsewhere before that, it asks for
 * a call at that time (sched_at) and returns true. */
void sched_pass_with(struct sched *, bool (*pass)(void *arg, struct sched *, int64_t to_us), void *arg);

#endif
