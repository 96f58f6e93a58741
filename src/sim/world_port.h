/* world_port.h - how a rail controller in another process moves the one world: a socket in the file system.
 *
 *     the world's process                                       the controller's process
 *     world_port_open (listens) <--- VERSION -------------------- world_line_open (connects)
 *       edge()                  <--- EDGE at, direction; ... ---- world_line_edge, world_line_flush
 *       inputs()                <--- ASK ------------------------ world_line_inputs
 *                                --- INPUTS bits, sure --------->
 *
 * A packet (SOCK_SEQPACKET, one machine, so in its own byte order) is one or more notes of 16 bytes. Times
 * are nanoseconds of the monotonic clock that both processes share, and an edge bears the time at which it is
 * due, however late it is sent: what the world sees does not depend on how fast the machine is.
 *
 * The end switches have to be known before the next edge goes out, but asking at each edge would cost a
 * round trip each. So an answer says for how many further edges it surely holds; it is asked for again after
 * that.
 *
 *  1. One controller at a time; a second one is turned away.
 *  2. A controller connects to a world as after power-on: it restarts, and knows no position.
 *  3. An edge that no world takes is a reason to stop (world_line_edge says so). */
#ifndef STADDLE_SIM_WORLD_PORT_H
#define STADDLE_SIM_WORLD_PORT_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "base/sched.h"
#include "sim/world.h"

#define WORLD_PORT_VERSION 1
#define WORLD_PORT_NOTES   64 /* in a packet, at most */

enum world_note_kind { NOTE_VERSION, NOTE_EDGE, NOTE_ASK, NOTE_INPUTS };

struct world_note {
    int64_t at_ns; /* EDGE: when; INPUTS: for how many further edges these hold */
    int32_t kind;
    int32_t value; /* VERSION: the version; EDGE: +1 away from the camera, or -1; INPUTS: the bits below */
};

enum world_input { INPUT_NEAR = 1, INPUT_FAR = 2, INPUT_EMERGENCY = 4 };

/* --- the world's side --- */

struct world_port_user {
    void *arg;
    void (*edge)(void *arg, int64_t at_ns, int dir); /* scheduler time, never going back */
    unsigned (*inputs)(void *arg, int64_t *sure_edges);
};

struct world_port;

/* Listens at `path` (made here, removed by close). Real clock only. E_STATE where somebody listens already.
 */
int world_port_open(struct sched *, const char *path, const struct world_port_user *, struct world_port **out,
                    struct err *);
void world_port_close(struct world_port *); /* NULL is fine */
/* Takes in what has arrived: every edge that went out before whatever has come in over another way. */
void world_port_catch_up(struct world_port *);
bool world_port_connected(const struct world_port *); /* a controller is there */
int64_t world_port_edges(const struct world_port *);  /* so far */

/* The calls above for a world; its end switches, no emergency button. */
struct world_port_user world_port_of(struct world *);

/* --- the controller's side --- */

struct world_line;

/* E_IO when nobody listens there. `changed` is called when the world speaks unasked, or has gone. */
int world_line_open(struct sched *, const char *path, sched_fn *changed, void *arg, struct world_line **out,
                    struct err *);
void world_line_close(struct world_line *); /* NULL is fine */
bool world_line_there(const struct world_line *);
/* Keeps it until the packet is full, an answer is needed, or flush. False: the world has gone. */
bool world_line_edge(struct world_line *, int64_t at_ns, int dir);
void world_line_flush(struct world_line *);
/* Waits for the answer where one is needed, 5 s at most; after that the world counts as gone. */
unsigned world_line_inputs(struct world_line *);

#endif
