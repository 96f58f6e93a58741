/* link_mem.h - a link to the virtual rail controller in this process. Bytes take their time on the line
 * (start, eight data and stop bit at the baud rate) and then a latency, each way. */
#ifndef STADDLE_DEVICE_LINK_MEM_H
#define STADDLE_DEVICE_LINK_MEM_H

#include "base/sched.h"
#include "device/link.h"
#include "firmware/native/native.h"

struct link_mem_opts {
    int64_t latency_us; /* each way; 0: 1000, negative: none */
    int32_t baud;       /* 0: 250000 */
};

/* The controller stays the caller's and outlives the link. `opts` may be NULL. */
struct link *link_mem_open(struct sched *, struct native_rail *, const struct link_mem_opts *opts,
                           struct err *);

#endif
