/* store.h - a stack folder: its frames, what is known of them, and the only SQL of the program.
 *
 *    DIR/stack.db    the database: SQLite, WAL, synchronous FULL
 *    DIR/frames/     originals, read-only, one level, never rewritten and never deleted
 *    DIR/derived/    what can be computed again; may be deleted at any time
 *
 *  1. Each call that changes something is one durable transaction: when it has returned 0, it survives a
 * power cut.
 *  2. An exposure goes only along these arrows (exposure_end makes those without a name):
 *
 *        begin --> FIRING --seen--> SEEN --kept--> KEPT --> FAILED   (the loser of a retake)
 *                     |               |
 *                     |               +--> FAILED (its files stay), LOST, DOUBTFUL
 *                     +--> LOST, DOUBTFUL, FAILED
 *        DOUBTFUL --seen--> SEEN, or --> LOST   (once the camera has been asked what it holds)
 *
 *  3. A slice has at most one KEPT exposure for each bracket; the database itself refuses a second one.
 *  4. A file is in frames/, whole and under its final name, before the exposure that owns it is KEPT.
 *  5. No row is deleted, no folder path is stored, and no time is read: every time comes in from the caller.
 *  6. Names in the folder have one level, do not begin with a dot and hold no '/' and no control byte.
 *
 * A store is used by one thread at a time. One process writes a stack at a time (others may read). Arrays
 * that come out are the caller's: mem_free. Codes: E_INPUT no such stack, or exists already · E_STATE another
 * process writes it, or the arrow does not exist · E_UNSUPPORTED made by a newer Staddle · E_DAMAGED not what
 * a stack should be · E_IO. */
#ifndef STADDLE_STORE_H
#define STADDLE_STORE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "base/err.h"
#include "staddle/plan.h"
#include "staddle/stack.h"

struct store;

/* Makes DIR, DIR/frames, DIR/derived and the database. E_INPUT when DIR exists already; its parents must
 * exist. */
int store_create(const char *dir, const struct stack_info *info, struct store **out, struct err *why);

/* E_INPUT when DIR is no stack folder. A reader sees what is committed, also while another process writes. A
 * stack of an older version is read by a copy in memory, which is migrated; opened for writing it is kept as
 * stack.db.v1 (and so on) and migrated. */
int store_open(const char *dir, bool readonly, struct store **out, struct err *why);
void store_close(struct store *); /* NULL is fine */

const char *store_dir(const struct store *);        /* as given */
const char *store_frames_dir(const struct store *); /* the frames folder */

/* ---- plans */

/* The plan and its slices; a target of STACK_NONE is stored as absent. `reason` may be "". */
int store_add_plan(struct store *, const struct plan *plan, const char *reason, int64_t made_wall_us,
                   int64_t *plan_id_out, struct err *why);

/* A frame that was shot elsewhere; its files are in frames/ already. */
struct imported_frame {
    int32_t slice;
    int32_t file_count;
    struct file_row files[FRAME_FILES_MOST];
};

/* A plan of source 'imported', its slices without targets, and for each a KEPT exposure: all in one
 * transaction. */
int store_add_imported(struct store *, const struct imported_frame *frames, int32_t count,
                       int64_t made_wall_us, int64_t *plan_id_out, struct err *why);

/* ---- exposures */

/* From row: purpose, plan_id and slice (purpose stack), bracket, nonce, fire_seq, camera_epoch,
 * reached_counts, settle_us, triggered_at_us, exposure_us; attempt as given, or 0: the next one. Once this
 * has returned 0 the shutter may fire. Fills row's id, attempt and state. E_STATE while the slice has a
 * FIRING, SEEN or DOUBTFUL exposure. */
int store_exposure_begin(struct store *, struct exposure_row *row, struct err *why);

int store_exposure_seen(struct store *, int64_t id, const char *object_name, int64_t object_bytes,
                        struct err *why);

/* It was exposed, and its files stay on the camera's card until store_exposure_kept brings them: SEEN,
 * without an object. triggered_at_us: when it really was. */
int store_exposure_on_card(struct store *, int64_t id, int64_t triggered_at_us, struct err *why);

/* So, and not yet brought? And how many are. */
bool store_on_card(const struct exposure_row *);
int store_count_on_card(struct store *, int32_t *out, struct err *why);

/* One or more files, which are in frames/ already (store_put_frame). */
int store_exposure_kept(struct store *, int64_t id, const struct file_row *files, int32_t count,
                        struct err *why);

/* One more of a kept one, e.g. a raw that had stayed on the card. */
int store_exposure_more(struct store *, int64_t id, const struct file_row *file, struct err *why);

/* `state` is LOST, DOUBTFUL or FAILED; files only with FAILED from SEEN (a misfire is kept, too). */
int store_exposure_end(struct store *, int64_t id, enum exposure_state state, const char *reason,
                       const struct file_row *files, int32_t count, struct err *why);

/* A file into frames/: durably, read-only, hashed. Fills name, bytes and sha256 of `out`, role by its ending,
 * and clears the rest (STACK_NONE where that is 'absent'). E_STATE when the name is taken. */
int store_put_frame(struct store *, const char *name, const void *bytes, size_t count, struct file_row *out,
                    struct err *why);

/* A file that is in frames/ already, of an exposure that was not kept: its row as store_put_frame gives it,
 * and its bytes (mem_free). It is synced first, since whoever put it there may not have come so far.
 * E_DAMAGED when there is none. */
int store_adopt_frame(struct store *, const char *name, size_t most, struct file_row *out,
                      uint8_t **bytes_out, struct err *why);

/* s0012.jpg, s0012_t2.jpg (a retake), closing.jpg, closing_t2.jpg; a bracket beyond the first adds _b1. `ext`
 * without the dot. */
int store_frame_name(char *out, size_t room, const struct exposure_row *, const char *ext, struct err *why);

/* By the ending alone: JPEG, undeveloped sensor data, anything else. */
enum file_role store_role_by_name(const char *name);
bool store_picture_by_name(const char *name);

/* ---- remarks */

int store_add_event(struct store *, int64_t at_wall_us, const char *kind, const char *text,
                    const char *detail, struct err *why);

/* A person's wish about a file, over every rule: the newest one counts. */
int store_add_choice(struct store *, int64_t file_id, bool keep, int64_t at_wall_us, struct err *why);

/* ---- reading */

int store_info(struct store *, struct stack_info *out, struct err *why); /* stack_info_clear it */
void stack_info_clear(struct stack_info *);

int store_plans(struct store *, struct plan_row **rows, int32_t *count, struct err *why);

/* Of one plan, or of all (plan_id 0), by plan and number. */
int store_slices(struct store *, int64_t plan_id, struct slice_row **rows, int32_t *count, struct err *why);

/* All, in the order in which they began. */
int store_exposures(struct store *, struct exposure_row **rows, int32_t *count, struct err *why);

/* Of one exposure, or of all (exposure_id 0), by id. */
int store_files(struct store *, int64_t exposure_id, struct file_row **rows, int32_t *count, struct err *why);

int store_events(struct store *, struct event_row **rows, int32_t *count, struct err *why);
int store_choices(struct store *, struct choice_row **rows, int32_t *count, struct err *why);

/* The kept frames (purpose stack, first bracket), in capture order: near to far by target where there are
 * targets, so that a retake or a filled slice stands in its place; else by slice number, backwards in a
 * far-first stack. */
int store_frames(struct store *, struct frame_row **rows, int32_t *count, struct err *why);

/* Where a file of frames/ lies, for reading. E_DAMAGED when it is missing or is no ordinary file. */
int store_frame_path(struct store *, const char *name, char *out, size_t room, struct err *why);

/* Every table, ordered by primary key, one row a line: equal for equal runs. */
int store_dump(struct store *, FILE *out, struct err *why);

/* ---- derived/: a cache. Whole when it is there, replaced when it was there, not durable; also on a
 * read-only store. */
int store_derived_put(struct store *, const char *name, const void *bytes, size_t count, struct err *why);
int store_derived_get(struct store *, const char *name, uint8_t **bytes_out, size_t *count_out,
                      struct err *why);

#endif
