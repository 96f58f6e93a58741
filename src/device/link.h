/* link.h - bytes to and from a rail controller, with no meaning. link_mem.c: the virtual controller in this
 * process; link_pty.c: the same behind a pseudo-terminal; link_serial.c: a real port; link_fault.c: a bad
 * line around any of them. Never blocks. Bytes that arrive are handed to `receive` on the scheduler's thread.
 */
#ifndef STADDLE_DEVICE_LINK_H
#define STADDLE_DEVICE_LINK_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

struct link;

struct link_ops {
    const char *name;
    int (*send)(struct link *, const void *bytes, size_t count, struct err *); /* all or an error */
    void (*close)(struct link *);                                              /* NULL is fine */
};

struct link {
    const struct link_ops *ops;
    void (*receive)(void *arg, const uint8_t *bytes, size_t count); /* count 0: the other end is gone */
    void *receive_arg;
    int64_t listen_us; /* opening may have restarted the controller: say nothing for so long, or until it
                          speaks */
};

#endif
