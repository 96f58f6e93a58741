/* rail_rig.h - a carriage on a track with two end switches, driven by the virtual controller over a link, as
 * an axis; the controller in this process under the virtual clock, or in its own behind a pseudo-terminal, in
 * real time. The truth is the carriage's own count of the edges that reached it; nothing here asks the code
 * under test. */
#ifndef TESTS_SUPPORT_RAIL_RIG_H
#define TESTS_SUPPORT_RAIL_RIG_H

#include "base/sched.h"
#include "device/axis.h"
#include "device/axis_rail.h"
#include "device/link_mem.h"
#include "firmware/native/native.h"
#include "sim/world_port.h"
#include "tests/support/virtual_rail.h"

/* What a bad cable does to one byte in `one_in`: another value, none, or twice. Both ways. 0: nothing. */
struct rig_damage {
    uint32_t one_in;
    uint64_t seed;
};

struct rig_opts {
    int64_t stands_at; /* carriage place at the start, in steps from the near end; 0: 5000 */
    int64_t length;    /* of the track between the switches; 0: 100000 */
    struct rig_damage damage;
    struct native_rail_opts native; /* its calls are set here */
    struct link_mem_opts link;
    struct axis_rail_opts axis;
    bool no_axis; /* the test speaks for itself: rig_say */
    bool pty;     /* the controller is a process of its own; `native` but for its seed does not count then */
};

#define RIG_EDGES 400000

struct rig {
    struct sched *sched;
    struct native_rail *controller; /* NULL: a process of its own */
    struct virtual_rail process;
    struct world_port *port;
    struct link *link;
    struct axis *axis;
    int64_t place, length; /* the carriage */
    bool emergency, near_stuck, far_stuck, wire_broken;
    bool double_replies;              /* each comes twice */
    bool lose_requests, lose_replies; /* the cable swallows all of them (with an axis) */
    int32_t far_glitches;             /* so many samples say that the far switch is open, though it is not */
    int64_t *edge_ns;                 /* when each edge came; the last RIG_EDGES at most */
    int8_t *edge_dir;
    int32_t edges;
    int64_t pulses; /* all edges since the rig was opened */
    int32_t notices;
    int64_t rest_seen_us; /* when the notice came that showed the axis at rest */
    /* no_axis: what the controller has said, and the next sequence number */
    char heard[16384];
    size_t heard_count;
    uint8_t seq;
};

struct rig *rig_open(const struct rig_opts *);
void rig_close(struct rig *);
void rig_run_us(struct rig *, int64_t us); /* lets that much time pass */
struct axis_state rig_state(struct rig *);
/* Until the phase is that one, at most so long; true if it came to it. */
bool rig_until(struct rig *, enum axis_phase, int64_t most_us);
void rig_forget_edges(struct rig *);

/* no_axis: sends WORDS as the next request and returns the reply's part from ok or no on ("" when none came
 * in 1 s). */
const char *rig_say(struct rig *, const char *words);
/* Bytes as they are; returns what came back within `us`. */
const char *rig_send(struct rig *, const char *bytes, int64_t us);
/* The line that rig_say sends for these words with that sequence number. */
const char *rig_line(uint8_t seq, const char *words);

#endif
