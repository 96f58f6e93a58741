/* virtual_rail.h - staddle-virtual-rail as a child of the test. */
#ifndef TESTS_SUPPORT_VIRTUAL_RAIL_H
#define TESTS_SUPPORT_VIRTUAL_RAIL_H

#include <stdint.h>
#include <sys/types.h>

struct virtual_rail {
    pid_t pid;
    int out;       /* what it prints after the first line */
    char port[64]; /* what it printed first */
};

/* Arguments end with NULL. */
void virtual_rail_start(struct virtual_rail *, const char *const *arguments);
/* The same with another program of the build. */
void virtual_rail_start_as(struct virtual_rail *, const char *program, const char *const *arguments);
/* SIGTERM; the exit status, and the pulses that it says it has put out (-1: it said none). */
int virtual_rail_stop(struct virtual_rail *, int64_t *pulses_out, int64_t *net_out);

/* Returns once it has nothing left to do but to wait: what was done to its port before the call, such as a
 * close, it has seen then. */
void virtual_rail_rests(const struct virtual_rail *);

/* "BUILD/name" of the tree that is tested; static storage. */
const char *built(const char *name);

#endif
