/* rail.h - the rail as an axis, between its four files.
 *
 *     axis_rail.c        what the caller asks becomes requests in a queue, sent one after the other
 *     rail_picture.c     what the controller says becomes the picture that poll shows; when to look next
 *     rail_fire.c        the shutter contacts, which are never closed twice on a guess
 *     rail_line.c        one request, repeated until it is answered
 *
 *     hello -> state -> set, limit (what opts say) -> REST -- go, jog --> MOVING  -- state --> REST
 *                                                         \- find ------> FINDING -- state --> REST
 *     halted, refused, restarted -> STOPPED -- clear --> REST
 *     the controller's alarm     -> ALARM   -- clear --> REST
 *
 *  1. While a request that starts or ends motion waits, a state that was read before it does not change the
 * phase.
 *  2. A request that was lost is asked for again, unless state shows that it has acted.
 *  3. The phase is REST only when the controller said so, and said so after the last request. */
#ifndef STADDLE_DEVICE_RAIL_H
#define STADDLE_DEVICE_RAIL_H

#include "device/axis_rail.h"
#include "device/rail_line.h"

#define RAIL_QUEUE_MOST 24

struct rail {
    struct axis base;
    struct sched *sched;
    struct rail_line *line;
    struct axis_rail_opts opts;
    char port[64];
    struct axis_state st;
    struct rail_request
        queue[RAIL_QUEUE_MOST + 1]; /* the first is on the line when `asked`; room for a state before it */
    int queued;
    bool asked;
    bool started;          /* what opts say has been asked */
    bool lost;             /* the request behind the first was on the line when it had to be resynchronised */
    bool cleared;          /* clear was answered ok: what the host found wrong is over */
    bool halting;          /* until state says that it worked */
    bool telling;          /* notice is due when nothing is asked any more */
    bool look_only;        /* another major version */
    int32_t target_before; /* of the controller, by the last state */
    int32_t shots_before;  /* the same; whether a fire that was lost has acted shows there */
    bool firing;           /* a fire is asked, and `fired` has not been told what came of it */
    int64_t fire_asked_us;
    struct axis_key_state key;
    sched_id poll_timer;
};

/* --- axis_rail.c --- */
int rail_ask(struct rail *, const struct rail_request *, struct err *);
int rail_only_at_rest(struct rail *, struct err *, const char *what);
void rail_ask_state(struct rail *);
void rail_ask_next(struct rail *); /* when the line is free */
bool rail_is(const struct rail_request *, const char *word);
bool rail_moves(const struct rail_request *); /* it starts motion */
bool rail_phase_pending(const struct rail *); /* a request waits after which the phase will be another one */
void rail_pop(struct rail *);

/* --- rail_fire.c --- */
int rail_fire(struct axis *, int32_t half_ms, int32_t open_ms, struct err *);
void rail_fire_answered(struct rail *, struct rail_reply *);
void rail_fire_acted(struct rail *, int64_t seen_us);        /* though its answer was lost */
void rail_fire_dropped(struct rail *);                       /* it was never sent */
void rail_fire_unseen(struct rail *, const struct err *why); /* the contacts may have been let go */

/* --- rail_picture.c --- */
const char *rail_refusal_text(const char *reason);
struct rail_line_user rail_picture_user(struct rail *);
void rail_plan_poll(struct rail *);

#endif
