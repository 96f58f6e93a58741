/* far_page.h - a page of memory that a test, the bench's process, the host's process and what is preloaded
 * into that share: where the host is to be killed, and what the bench has seen. */
#ifndef TESTS_SUPPORT_FAR_PAGE_H
#define TESTS_SUPPORT_FAR_PAGE_H

#include <stdint.h>

#define FAR_SHOTS_MOST 512
#define FAR_CALLS_MOST 4096
#define FAR_ENV        "FAR_PAGE" /* the file that is mapped */

enum far_kind { FAR_WRITE, FAR_SYNC, FAR_RENAME, FAR_UNLINK, FAR_SERIAL, FAR_CAMERA, FAR_KINDS };
enum far_phase {
    FAR_OPENING,
    FAR_HOMING,
    FAR_MOVING,
    FAR_SETTLING,
    FAR_EXPOSING,
    FAR_KEPT,
    FAR_COMPARING,
    FAR_PHASES
};

enum far_power { FAR_KEPT_ALL, FAR_DROPPED, FAR_TORN };

#define FAR_CELL(phase, kind) (1 + (phase)*FAR_KINDS + (kind))

struct far_page {
    /* the test says */
    int64_t kill_at; /* the n-th call of those below, from 1; 0: never */
    int32_t kill_after;
    int32_t kill_cell; /* or the first call of that kind in that phase: FAR_CELL; 0: not */
    int32_t kill_also; /* the bench's process, or 0 */
    int32_t lying;     /* the disk says synced and has not (a planted fault) */
    int32_t power;     /* enum far_power: what becomes of what was written and not synced */
    /* the host and what is preloaded say */
    int64_t calls;
    int32_t phase; /* enum far_phase, as of the last progress */
    int32_t killed_kind, killed_phase;
    struct {
        int8_t phase, kind;
    } trace[FAR_CALLS_MOST]; /* of each call, from number 1 on */
    /* the bench says: its shutter log */
    int32_t boot; /* number of this bench's process */
    int32_t shot_count;
    struct {
        uint64_t token;
        double focus_nm; /* mean over the exposure */
        int32_t boot;
    } shots[FAR_SHOTS_MOST];
};

/* The host's and the bench's talk; the first four really do something at the bench. */
enum far_word {
    FAR_SEND = 1,
    FAR_TRIGGER,
    FAR_FETCH,
    FAR_SET,
    FAR_DOES_NOTHING, /* from here on a call changes nothing there */
    FAR_STEP,
    FAR_NEXT,
    FAR_RECOUNT,
    FAR_HELD,
    FAR_DESCRIBE,
    FAR_ARM
};

#endif
