/* rail_line.h - the host's end of the wire: one request at a time, repeated until it is answered. What the
 * words mean is axis_rail.c's business.
 *
 *     start -> LISTEN (a boot line, or silence for as long as the link asks for; most links do not) -> QUIET
 *     start -> QUIET (LF LF, 20 ms of silence) -> HELLO -> ready() -> IDLE
 *     IDLE -- ask --> WAITING -- answered() --> IDLE
 *     WAITING or HELLO -- 5 repeats unanswered --> QUIET, or gone() when hello has failed too
 *
 *  1. A request is repeated byte for byte, so a controller that has carried it out answers again and does
 * nothing.
 *  2. After QUIET the request that was waiting is forgotten; whoever asked finds out by state whether it
 * acted.
 *  3. A changed nonce is told (rebooted) before anything else of that reply. */
#ifndef STADDLE_DEVICE_RAIL_LINE_H
#define STADDLE_DEVICE_RAIL_LINE_H

#include "base/sched.h"
#include "device/link.h"
#include "staddle/wire.h"

struct rail_request {
    char word[8];
    int args;
    int32_t arg[4];
};

/* What came back. `in` stands before the first field of an ok, and behind the reason of a no. */
struct rail_reply {
    bool ok;
    char reason[24];
    struct wire_in in;
    int64_t
        done_us; /* scheduler time at which the controller answered, as near as the line lets it be known */
};

/* Called on the scheduler's thread; each may ask anew. */
struct rail_line_user {
    void *arg;
    void (*ready)(void *arg, struct rail_reply *hello); /* after a (re)synchronisation */
    void (*answered)(void *arg, const struct rail_request *, struct rail_reply *);
    void (*rebooted)(void *arg);                 /* the nonce has changed; ready follows */
    void (*gone)(void *arg, const struct err *); /* for good; nothing follows */
};

struct rail_line_counts {
    int64_t sent, repeated, resynchronised, damaged; /* lines */
};

struct rail_line;

/* Takes the link, also when it fails. `port` is for messages, borrowed. */
struct rail_line *rail_line_open(struct sched *, struct link *, const char *port, int32_t baud,
                                 const struct rail_line_user *, struct err *);
void rail_line_close(struct rail_line *); /* NULL is fine */
/* Of a line that is GONE. First the port is let go, for nobody else can open it before; then start, over
 * another link, which it takes. What waited is forgotten; the nonce is not. */
void rail_line_unplug(struct rail_line *);
void rail_line_again(struct rail_line *, struct link *);
bool rail_line_idle(const struct rail_line *);                       /* may ask */
void rail_line_ask(struct rail_line *, const struct rail_request *); /* only when idle */
void rail_line_halt(struct rail_line *);                             /* four asterisks, at any time */
int64_t rail_line_nonce(const struct rail_line *);                   /* -1: never heard */
int64_t rail_line_lead_us(
    const struct rail_line *); /* from asking for state until the controller has read it */
const struct rail_line_counts *rail_line_get_counts(const struct rail_line *);

#endif
