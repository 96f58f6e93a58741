/* stack.h - rows of a stack folder, as store/ reads and writes them. Absent numbers are STACK_NONE. */
#ifndef STADDLE_STACK_H
#define STADDLE_STACK_H

#include <stdbool.h>
#include <stdint.h>

#include "staddle/bench.h"
#include "staddle/plan.h"

#define STACK_NONE       INT64_MIN
#define FRAME_FILES_MOST 4

enum stack_kind { STACK_PLANNED, STACK_IMPORTED };
enum stack_order { ORDER_NEAR_FIRST, ORDER_FAR_FIRST, ORDER_UNKNOWN };
enum exposure_purpose { PURPOSE_STACK, PURPOSE_CLOSING, PURPOSE_REFERENCE, PURPOSE_TEST };
/* FIRING -> SEEN -> KEPT, or LOST / DOUBTFUL from either of the first two. SEEN without an object's name: its
 * files are on the camera's card, to be imported. FAILED: kept file, but to be shot
 * again (misfire, shaken): a loser of a retake. */
enum exposure_state {
    EXPOSURE_FIRING,
    EXPOSURE_SEEN,
    EXPOSURE_KEPT,
    EXPOSURE_LOST,
    EXPOSURE_DOUBTFUL,
    EXPOSURE_FAILED
};
enum file_role { FILE_JPEG, FILE_RAW, FILE_OTHER };

struct stack_info {
    enum stack_kind kind;
    enum stack_order order; /* of capture */
    bool simulated;
    uint64_t seed;
    char name[NAME_ROOM];        /* of the job or the imported folder */
    char *bench_text, *job_text; /* NULL when imported; owned by whoever filled the struct */
    int64_t created_wall_us;
    int32_t utc_offset_s; /* of the bench's local time then; 0 under the virtual clock */
};

struct plan_row {
    int64_t id;
    enum plan_source source;
    int64_t made_wall_us;
    int64_t spacing_nm;  /* STACK_NONE when imported */
    double scale_change; /* of a fixed subject point from first slice to last; 0 when not known */
    char reason[128];
};

struct slice_row {
    int64_t plan_id;
    int32_t number;
    bool margin;
    int64_t target_nm, target_counts;
};

struct exposure_row {
    int64_t id;
    enum exposure_purpose purpose;
    int64_t plan_id; /* STACK_NONE unless purpose is stack */
    int32_t slice;   /* number; 0 unless purpose is stack */
    int32_t bracket; /* 0 */
    int32_t attempt; /* from 1 */
    enum exposure_state state;
    char object_name[256]; /* the camera's own, of the first of its files */
    int64_t object_bytes;
    int64_t nonce, fire_seq, camera_epoch;
    int64_t reached_counts;
    int64_t settle_us, triggered_at_us, exposure_us; /* triggered_at_us: wall clock */
    char reason[128];
};

struct file_row {
    int64_t id, exposure_id;
    int64_t bytes;
    int64_t captured_wall_us;    /* as the file says, its local time taken as UTC; STACK_NONE when it does not
                                    tell */
    int64_t exposure_us;         /* STACK_NONE when the file does not tell */
    double f_number, iso;        /* 0 when not told */
    int32_t width_px, height_px; /* as stored; 0 when not known */
    enum file_role role;
    char name[256];        /* in frames/ */
    char sha256[65];       /* lower-case hex */
    char object_name[256]; /* the camera's own, or before the import; "" when not known */
};

struct event_row {
    int64_t id, at_wall_us;
    char kind[NAME_ROOM];
    char text[256], detail[256];
};

struct choice_row {
    int64_t id, file_id, at_wall_us;
    bool keep;
};

/* One kept frame as everything after the shoot sees it: rows in capture order, closing and test frames left
 * out. */
struct frame_row {
    int64_t exposure_id, plan_id;
    int32_t slice;   /* number from 1 */
    int32_t attempt; /* the try that was kept */
    bool margin;
    int64_t target_nm, target_counts, reached_counts; /* STACK_NONE when imported */
    int64_t triggered_at_us;                          /* wall clock; STACK_NONE when imported */
    int64_t exposure_us;                              /* STACK_NONE when the file does not tell */
    double f_number, iso;                             /* 0 when not told */
    int64_t captured_wall_us;
    int32_t file_count;
    struct file_row files[FRAME_FILES_MOST]; /* files[0] is the one to measure: the JPEG where there is one */
};

#endif
