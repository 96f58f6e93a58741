/* loop_state.h - what the loop knows; shared by loop.c, homing.c and legs.c (the bench's lane), telling.c,
 * take*.c (the frames' lanes) and job.c (work for other threads). Nobody else includes it. */
#ifndef STADDLE_RUN_LOOP_STATE_H
#define STADDLE_RUN_LOOP_STATE_H

#include "image/measure.h"
#include "run/loop.h"
#include "run/outage.h"
#include "run/refind.h"

enum lane {
    LANE_HOMING,
    LANE_CHOOSING,
    LANE_TAKING_UP,
    LANE_MOVING,
    LANE_SETTLING,
    LANE_FIRING,
    LANE_WAITING, /* for the axis */
    LANE_ENDING,
    LANE_OVER
};
enum homing { HOMING_WAKING, HOMING_FINDING, HOMING_PLACING, HOMING_BY_PICTURE };

/* One file of a frame, from the camera to the disk. Counted, because two threads read it at once; counts
 * change on the loop's thread only. Its bytes go as soon as both are done with them. */
struct picture {
    int refs;
    uint8_t *bytes;
    int64_t byte_count;
    char name[256];       /* in frames/ */
    struct file_row file; /* the disk's thread fills it */
    bool put, measured;
    struct frame_measure measure; /* the measurer fills these three */
    struct register_view *view;
    struct image_facts facts;
};

/* What of an earlier run is looked at again before this one goes on: compare.c. */
struct past_frame {
    struct picture *kept; /* of the slice compared with; NULL: could not be read */
    int32_t slot;
    bool judged;
};

enum slot_state { SLOT_TODO, SLOT_FLYING, SLOT_KEPT };

/* One position to be shot: a slice, the closing frame (number 0), or a slice of an earlier run once more. */
struct slot {
    enum slot_state state;
    int32_t number;
    int64_t target_counts;
    int failures;
    bool on_card;            /* and that stays on the camera's card until it is imported */
    bool told;               /* its cells are on their way to derived/, or will never be */
    struct picture *picture; /* kept one, while a neighbour may still need its view */
    int64_t exposure_id;     /* of the kept one, in this run */
};

enum take_stage {
    TAKE_NONE,
    TAKE_BEGINNING, /* FIRING is being committed */
    TAKE_READY,     /* and is durable: may fire */
    TAKE_FIRED,
    TAKE_EXPOSED,
    TAKE_FETCHING,   /* the camera said all that it holds */
    TAKE_DEVELOPING, /* all files are here: kept on disk and measured; or on the camera's card, and stay there
                      */
    TAKE_KEEPING,
    TAKE_ENDING_BADLY,
};

struct take {
    enum take_stage stage;
    int64_t serial; /* tells this use of the place from the next */
    int32_t slot;
    struct exposure_row row;
    uint64_t token;
    int64_t deadline_us; /* of the camera's next word */
    struct camera_object objects[FRAME_FILES_MOST];
    int object_count, fetched, fetch_failures, puts_out;
    struct picture *pictures[FRAME_FILES_MOST];
    struct picture *main; /* the one that is measured */
    bool measuring;
    bool left_raws; /* on the card, and noted */
    bool doubtful;  /* the axis went out of sight during the exposure: kept once it is known where it stood */
    bool blameless; /* ended for no fault of the slice's: does not count as one of its failures */
    char spoilt[128]; /* why it may not be kept although it came, "" if it may */
};

struct job_work;

struct loop {
    struct run_opts opts;
    struct rig *rig;
    struct slot *slots; /* slot_count slices, then the closing frame, then past_count to compare with */
    int32_t slot_count;
    struct past_frame past[COMPARE_MOST];
    int32_t past_count;
    bool past_pairs; /* the kept ones agree with each other: a picture that can be compared */
    bool closing_wanted;
    struct take takes[LOOP_FRAMES_MOST];
    int64_t last_serial;
    struct camera_facts camera_facts;
    uint64_t stack_mark;
    struct axis_state axis; /* as of the last poll */
    struct refind refind;
    enum lane lane;
    enum homing homing;
    int32_t at_slot;   /* that the bench's lane works on */
    int64_t at_serial; /* of its attempt; 0 until begun */
    int64_t home_counts;
    int64_t past_nonce, past_reached; /* of the last exposure of an earlier run, or STACK_NONE */
    struct err woken_why;
    struct outage outages[OUTAGE_KINDS];
    struct work *parked;            /* wait for room on the disk, by next */
    int64_t slept_us, clock_set_us; /* of the scheduler, as of the last look */
    int64_t take_up_counts;
    int64_t engaged_counts; /* way since the last turn toward the far end */
    int64_t moving_from, move_target;
    int64_t still_at_us; /* nothing rings any more, as far as the plan can tell */
    int64_t begun_at_us, start_at_us, fire_due_us, flash_ready_us, first_fire_us;
    int64_t last_progress_us;
    int64_t fire_seq;
    int32_t fires;
    bool pausing, halted, disk_dead, axis_bad;
    bool woken;              /* a stop of an earlier run was cleared once */
    bool axis_seen;          /* at rest, once */
    bool released;           /* the axis was told to let its outputs go */
    bool shape_told, shaped; /* the controller has the plan's shape; this leg goes by it */
    bool not_followed;       /* the lens stood still where it should have moved: nothing more is kept */
    int64_t ending_since_us;
    struct err fault; /* code 0: none */
    double *levels;   /* of the frames kept, linear, for the misfire's threshold */
    int32_t level_count;
    char last_finding[256];
    struct run_result result;
};

/* loop.c */
void loop_enter(struct loop *, enum lane);
void loop_look_at_axis(struct loop *);
void loop_fault(struct loop *, const struct err *);      /* pause, safely; the first one is told */
void loop_disk_fault(struct loop *, const struct err *); /* nothing can be recorded any more */
void loop_kept(struct loop *, struct take *);            /* its slice has its frame, durably */
void loop_moved_on(struct loop *);                       /* something changed: the watchdog starts anew */
int loop_prepare_camera(struct loop *, struct err *);    /* stack_run.c */
int64_t loop_now(const struct loop *);
bool loop_camera_busy(const struct loop *);

/* homing.c */
void homing_step(struct loop *);

/* telling.c */
void loop_note(struct loop *, const char *code, const char *advice, int32_t slot, const char *format, ...)
    __attribute__((format(printf, 5, 6)));
#define SLOT_NAME_ROOM 32
const char *loop_name(const struct loop *, int32_t slot, char room[SLOT_NAME_ROOM]); /* "slice 12" */
void loop_tell(struct loop *, const char *doing);
void loop_tell_of(struct loop *, const char *doing, int32_t slot);
int32_t loop_kept_count(const struct loop *);

/* legs.c */
void legs_prepare(struct loop *); /* the axis is at rest and knows where it stands */
int legs_go(struct loop *, int64_t target, struct err *);
void legs_arrived(struct loop *);
int64_t legs_still_at_us(const struct loop *);

/* take.c */
struct take *take_begin(struct loop *, int32_t slot);
void take_fire(struct loop *, struct take *);
void take_camera_event(struct loop *, const struct camera_event *);
void take_check_deadlines(struct loop *);
void take_all_unfetched_end(struct loop *, const char *reason);
void take_unfired_end(struct loop *, const char *reason);
void take_unanswered_end(struct loop *, const char *reason); /* where others fire, and have not done so */
void take_ask_again(struct loop *); /* the camera is there again: what does it hold of what was under way? */
/* Ends an attempt in the store; its slice is shot again once that is durable. */
void take_fail(struct loop *, struct take *, enum exposure_state, const char *reason);
bool take_exposing(const struct loop *); /* triggered, and the shutter not known to be shut */
int take_count(const struct loop *);     /* in flight */
void take_work_done(struct loop *, struct work *);
void take_free_all(struct loop *);

/* take_decide.c */
/* Once the files are on the disk and the main one is measured; at once where they stay on the card. */
void take_decide(struct loop *, struct take *);
void take_doubt_exposing(struct loop *); /* whether the axis stood is not known */
void take_doubt_over(struct loop *, bool stood);
void take_leave_raws(struct loop *, struct take *); /* leave.c: before its files are fetched */

/* neighbours.c: shifts between kept frames, cells to derived/, and the closing frame against the first */
void neighbours_look(struct loop *, int32_t slot); /* that one has just been kept, or its picture has come */
void neighbours_work_done(struct loop *, struct job_work *);
void neighbours_drop(struct loop *);

/* compare.c: slices of an earlier run shot again, before anything new is */
int compare_load(struct loop *, const struct exposure_row *, int32_t count, struct err *);
int32_t compare_of(const struct loop *, int32_t slot); /* index in past, or -1 */
int32_t compare_next(const struct loop *);             /* slot to be shot for it, or -1 */
bool compare_waits(const struct loop *);               /* not all are judged */
void compare_kept(struct loop *, int32_t slot);
void compare_work_done(struct loop *, struct job_work *);
void compare_drop(struct loop *);

/* job.c */
enum job_kind {
    JOB_BEGIN,
    JOB_SEEN,
    JOB_CARD,
    JOB_PUT,
    JOB_MEASURE,
    JOB_KEEP,
    JOB_END,
    JOB_PAIR,
    JOB_DERIVED,
    JOB_COMPARE,
    JOB_EVENT
};

struct job_work {
    struct work base; /* kind: enum job_kind */
    bool probe;       /* done again, to see whether there is room */
    struct store *store;
    struct take *take;
    int64_t serial;
    int32_t slot;
    struct picture *picture, *before;
    struct exposure_row row; /* BEGIN, SEEN, KEEP, END */
    enum exposure_state state;
    char reason[128];
    struct frame_shift shift; /* COMPARE */
    struct event_row event;   /* EVENT */
    struct file_row files[FRAME_FILES_MOST];
    int file_count; /* DERIVED: the frame's, and that of the one before it */
    uint8_t *bytes;
    size_t byte_count;
    int rc;
    struct err why;
};

struct job_work *job_new(struct loop *, enum job_kind, struct take *);
void job_start(struct loop *, struct job_work *); /* NULL and failures become faults */
void picture_drop(struct picture *);              /* NULL is fine */
struct picture *picture_hold(struct picture *);

#endif
