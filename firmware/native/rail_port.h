/* rail_port.h - the virtual controller's serial port: a pseudo-terminal that programs open as they would a
 * real port, with a real line's speed.
 *
 * A common board is reset when the modem line DTR rises, and a port's driver drops DTR at the last close
 * unless HUPCL was cleared. A pseudo-terminal has no such line, but keeps HUPCL, so the line is modelled
 * here:
 *
 *     low -- opened --> high -- last close with HUPCL set --> low
 *                            -- last close with HUPCL clear --> stays high
 */
#ifndef STADDLE_FIRMWARE_RAIL_PORT_H
#define STADDLE_FIRMWARE_RAIL_PORT_H

#include "base/err.h"
#include "base/sched.h"
#include "firmware/native/native.h"

enum rail_reset {
    RAIL_RESET_NEVER, /* opening the port means nothing to the board */
    RAIL_RESET_OPEN,  /* each opening restarts it */
    RAIL_RESET_DTR    /* a rising DTR restarts it, as on common boards */
};

struct rail_port_opts {
    const char *link; /* a symbolic link to be made to the port, or NULL */
    enum rail_reset reset;
    int32_t baud;              /* 0: 250000 */
    int64_t start_us;          /* from a reset until the controller listens */
    void (*opened)(void *arg); /* before anything is read; may be NULL */
    void *arg;
};

struct rail_port;

int rail_port_open(struct sched *, struct native_rail *, const struct rail_port_opts *,
                   struct rail_port **out, struct err *);
void rail_port_close(struct rail_port *); /* NULL is fine */
const char *rail_port_name(const struct rail_port *);
int64_t rail_port_resets(const struct rail_port *);

#endif
