/* loop.h - a stack is shot: move, settle, expose, fetch, measure, decide, until every slice has its frame.
 *
 * Two lanes run side by side. The bench has one lane, the frames in flight have one each:
 *
 *   bench:  HOMING -> CHOOSING -> TAKING_UP -> MOVING -> SETTLING -> FIRING -> CHOOSING ...
 *                        |                                 (begun)     (until EXPOSED, or the object is
 * known)
 *                        +-> ENDING: the frames in flight are finished, the axis rests, over
 *   frame:  BEGINNING -> READY -> FIRED -> EXPOSED -> FETCHING -> DEVELOPING -> KEEPING -> kept
 *                                    \________\___________\____________\--> ENDING_BADLY -> its slice is shot
 * again
 *
 *  1. The loop is a function of (state, event): loop_step. It never waits; bench_wait does.
 *  2. An exposure is FIRING in the store, durably, before the trigger. The commit hides in the settle.
 *  3. Each slice is approached from the near side, after a way at least as long as the take-up.
 *  4. Fetching, keeping and measuring slice k run while slice k + 1 moves, settles and exposes. At most
 *     LOOP_FRAMES_MOST frames are in flight; each holds its files once in memory.
 *  5. The store is touched by the disk's thread only, from loop_new to loop_free.
 *  6. Where an earlier run left frames, its last two slices are shot again first, as references, and compared
 *     (compare.h): nothing new is fired before that is judged.
 *  7. Whatever goes wrong ends with the axis at rest and a store from which resume goes on. */
#ifndef STADDLE_RUN_LOOP_H
#define STADDLE_RUN_LOOP_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "run/bench.h"
#include "staddle/bench.h"
#include "staddle/finding.h"
#include "staddle/plan.h"
#include "store/store.h"

#define LOOP_FRAMES_MOST   3
#define LOOP_FAILURES_MOST 3 /* of one slice, then a pause: somebody has to look */

struct run_progress {
    const char *doing; /* "homing", "moving", "settling", "exposing", "resting", "comparing", "kept",
                          "fired" */
    int32_t slice;     /* number; 0: the closing frame, the quiet one, or none yet */
    bool quiet;        /* it is the quiet frame, after all others */
    int32_t kept, total;
    bool on_card;        /* kept on the camera's card: only fired, so far */
    int64_t eta_us;      /* until the end; negative: not known */
    const char *finding; /* the last one, "" when there is none */
    bool news; /* something is missing, or is there again: `finding` says what; to be shown at once */
};

struct run_closing {
    bool done;
    bool shift_known;
    double dx_px, dy_px, scale; /* of the picture against that of the first slice */
    double light_stops;
};

/* A slice of an earlier run, shot once more before going on, against its kept frame. */
#define COMPARE_MOST 2
struct run_compared {
    int32_t slice;
    bool shift_known;
    double dx_px, dy_px, scale, light_stops;
};

enum run_end { RUN_WHOLE, RUN_PAUSED, RUN_HALTED, RUN_KILLED };

struct run_result {
    enum run_end end;
    int32_t slices, kept;                    /* of the plan; kept: with those of earlier runs */
    int32_t on_card;                         /* of those kept: on the camera's card, to be imported */
    int32_t retakes, lost, misfires, failed; /* in this run */
    int32_t doubtful, recovered;             /* of an earlier run: shot again in doubt; saved without that */
    int64_t duration_us;
    int64_t events; /* that the loop was given */
    struct run_closing closing;
    struct run_compared compared[COMPARE_MOST];
    int32_t compared_count;
    struct finding_list findings;
    struct err why; /* PAUSED by a fault: what happened */
};
void run_result_clear(struct run_result *);

struct run_opts {
    struct rig *rig;
    struct store *store;
    const struct bench *bench;
    const struct job *job;
    const struct plan *plan;
    int64_t plan_id;
    bool no_closing;
    bool anyway; /* go on although the set or the light is not as it was */
    void (*progress)(void *arg, const struct run_progress *);
    void *progress_arg;
    /* Tests: called before each event; true leaves at once, as a killed process would. */
    bool (*killed)(void *arg, int64_t events);
    void *killed_arg;
};

struct loop;
int loop_new(const struct run_opts *, struct loop **out, struct err *);
void loop_free(struct loop *);

bool loop_over(const struct loop *);
int64_t loop_deadline_us(const struct loop *); /* when it wants to be woken at the latest */
void loop_step(struct loop *, const struct rig_event *);

/* The whole run. 0: every slice is kept (RUN_WHOLE). E_PAUSED: resume goes on; `why` says what happened.
 * `out` is filled in both cases; other codes mean that nothing was begun. */
int run_stack(const struct run_opts *, struct run_result *out, struct err *why);

/* What cannot work is said before anything moves: an exposure shorter than the flash sync, and the like. */
int run_check(const struct bench *, const struct job *, const struct plan *, struct err *why);

#endif
