/* link_fault.h - a link around a link, that spoils what goes through: for tests and rehearsals. Bytes are
 * counted and drawn in the order in which they pass, so the same seed spoils the same bytes. */
#ifndef STADDLE_DEVICE_LINK_FAULT_H
#define STADDLE_DEVICE_LINK_FAULT_H

#include "base/sched.h"
#include "device/link.h"

struct link_fault_way {
    uint32_t corrupt_in, drop_in, double_in; /* one byte in so many; 0: none */
    uint32_t delay_in; /* one chunk in so many comes delay_us late, and what follows behind it */
    int64_t delay_us;
    int64_t cut_at; /* the line is cut before this byte, counted from 1; 0: never */
};

/* The socket that a cable sits in; it outlives the links that are opened at it. */
struct link_fault_socket {
    int64_t back_at_us; /* the cable is out until then: no link can be opened there */
};

struct link_fault_opts {
    uint64_t seed;
    struct link_fault_socket *socket;  /* NULL: a cut line stays cut */
    struct link_fault_way there, back; /* to the controller, to the host */
};

/* Takes `inner`, also when it fails: E_IO while the cable is out. A cut line is gone for good: nothing
 * arrives, both ends are told once; another link may be opened once the cable is in again. */
struct link *link_fault_open(struct sched *, struct link *inner, const struct link_fault_opts *,
                             struct err *);
void link_fault_cut(struct link *);                          /* now */
void link_fault_unplug(struct link *, int64_t replug_at_us); /* cut now, the cable out until then */
/* Another weather from now on, both ways. */
void link_fault_change(struct link *, const struct link_fault_way *);

struct link_fault_counts {
    int64_t there, back; /* bytes that were to pass */
    int64_t corrupted, dropped, doubled, delayed;
};
void link_fault_get_counts(const struct link *, struct link_fault_counts *out);

#endif
