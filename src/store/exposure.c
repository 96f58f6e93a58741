/* exposure.c - the life of an exposure, see the drawing in store.h. Every function here is one transaction.
 */
#include <string.h>

#include "base/fs.h"
#include "store/db.h"
#include "store/folder.h"
#include "store/hash.h"
#include "store/inner.h"
#include "store/words.h"

/* legal[from][to] */
static const bool legal[6][6] = {
    [EXPOSURE_FIRING] = {[EXPOSURE_SEEN] = true,
                         [EXPOSURE_LOST] = true,
                         [EXPOSURE_DOUBTFUL] = true,
                         [EXPOSURE_FAILED] = true},
    [EXPOSURE_SEEN] = {[EXPOSURE_KEPT] = true,
                       [EXPOSURE_LOST] = true,
                       [EXPOSURE_DOUBTFUL] = true,
                       [EXPOSURE_FAILED] = true},
    [EXPOSURE_DOUBTFUL] = {[EXPOSURE_SEEN] = true, [EXPOSURE_LOST] = true},
    [EXPOSURE_KEPT] = {[EXPOSURE_FAILED] = true},
};

static int state_of(struct store *st, int64_t id, enum exposure_state *out, struct err *why)
{
    sqlite3_stmt *row;
    int rc = db_query(st->db, why, &row, "SELECT state FROM exposure WHERE id = ?", "i", id);
    if (rc) return rc;
    rc = db_row(row, why);
    const int state = rc > 0 ? word_find(WORD_STATE, (const char *)sqlite3_column_text(row, 0)) : -1;
    sqlite3_finalize(row);
    if (rc < 0) return rc;
    if (rc == 0) return fail(why, E_STATE, "exposure %lld: not in this stack", (long long)id);
    if (state < 0) return store_damaged(why, "an exposure in no known state");
    *out = (enum exposure_state)state;
    return E_OK;
}

/* Inside a transaction. */
static int go(struct store *st, int64_t id, enum exposure_state to, const char *reason, struct err *why)
{
    enum exposure_state from = EXPOSURE_LOST;
    int rc = state_of(st, id, &from, why);
    if (rc) return rc;
    if (!legal[from][to])
        return fail(why, E_STATE, "exposure %lld: is %s, cannot become %s", (long long)id,
                    word_of(WORD_STATE, (int)from), word_of(WORD_STATE, (int)to));
    return db_run(st->db, why, "UPDATE exposure SET state = ?, reason = ? WHERE id = ?", "tti",
                  word_of(WORD_STATE, (int)to), reason, id);
}

static int none_in_the_way(struct store *st, const struct exposure_row *row, struct err *why)
{
    int64_t n;
    if (row->purpose != PURPOSE_STACK) return E_OK;
    int rc = db_number(st->db, why, &n,
                       "SELECT count(*) FROM exposure WHERE plan = ? AND slice = ? AND bracket = ?"
                       " AND state IN ('firing', 'seen', 'doubtful', 'kept')",
                       "inn", row->plan_id, (int)row->slice, (int)row->bracket);
    if (!rc && n)
        rc = fail(why, E_STATE, "slice %d: has an exposure that is under way or kept; nothing was fired",
                  (int)row->slice);
    return rc;
}

static int number_attempt(struct store *st, const struct exposure_row *row, int64_t *attempt, struct err *why)
{
    *attempt = row->attempt;
    if (row->attempt) return E_OK;
    return db_number(st->db, why, attempt,
                     "SELECT 1 + coalesce(max(try), 0) FROM exposure"
                     " WHERE purpose = ? AND plan IS ? AND slice IS ? AND bracket = ?",
                     "tiin", word_of(WORD_PURPOSE, (int)row->purpose), row->plan_id,
                     row->purpose == PURPOSE_STACK ? (int64_t)row->slice : STACK_NONE, (int)row->bracket);
}

static int insert_exposure(struct store *st, const struct exposure_row *row, enum exposure_state state,
                           struct err *why)
{
    return db_run(
        st->db, why,
        "INSERT INTO exposure (purpose, plan, slice, bracket, try, state, nonce, fire_seq, camera_epoch,"
        " reached_counts, settle_us, triggered_at_us, exposure_us, reason)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, '')",
        "tiinntiiiiiii", word_of(WORD_PURPOSE, (int)row->purpose), row->plan_id,
        row->purpose == PURPOSE_STACK ? (int64_t)row->slice : STACK_NONE, (int)row->bracket,
        (int)row->attempt, word_of(WORD_STATE, (int)state), row->nonce, row->fire_seq, row->camera_epoch,
        row->reached_counts, row->settle_us, row->triggered_at_us, row->exposure_us);
}

int store_exposure_begin(struct store *st, struct exposure_row *row, struct err *why)
{
    struct exposure_row next = *row;
    int64_t attempt;
    if (next.purpose != PURPOSE_STACK) next.plan_id = STACK_NONE;
    int rc = store_may_write(st, why);
    if (!rc) rc = db_begin(st->db, why);
    if (rc) return rc;
    rc = none_in_the_way(st, &next, why);
    if (!rc) rc = number_attempt(st, &next, &attempt, why);
    if (!rc) next.attempt = (int32_t)attempt;
    if (!rc) rc = insert_exposure(st, &next, EXPOSURE_FIRING, why);
    next.id = sqlite3_last_insert_rowid(st->db);
    next.state = EXPOSURE_FIRING;
    rc = db_end(st->db, rc, why);
    if (!rc) *row = next;
    return rc;
}

int store_exposure_seen(struct store *st, int64_t id, const char *object_name, int64_t object_bytes,
                        struct err *why)
{
    int rc = store_may_write(st, why);
    if (!rc) rc = db_begin(st->db, why);
    if (rc) return rc;
    rc = go(st, id, EXPOSURE_SEEN, "", why);
    if (!rc)
        rc = db_run(st->db, why, "UPDATE exposure SET object_name = ?, object_bytes = ? WHERE id = ?", "tii",
                    object_name, object_bytes, id);
    return db_end(st->db, rc, why);
}

int store_exposure_on_card(struct store *st, int64_t id, int64_t triggered_at_us, struct err *why)
{
    int rc = store_may_write(st, why);
    if (!rc) rc = db_begin(st->db, why);
    if (rc) return rc;
    rc = go(st, id, EXPOSURE_SEEN, "", why);
    if (!rc)
        rc = db_run(st->db, why,
                    "UPDATE exposure SET object_name = NULL, object_bytes = NULL, triggered_at_us = ?"
                    " WHERE id = ?",
                    "ii", triggered_at_us, id);
    return db_end(st->db, rc, why);
}

bool store_on_card(const struct exposure_row *e)
{
    return e->state == EXPOSURE_SEEN && !e->object_name[0];
}

int store_count_on_card(struct store *st, int32_t *out, struct err *why)
{
    int64_t n = 0;
    int rc = db_number(st->db, why, &n,
                       "SELECT count(*) FROM exposure WHERE state = 'seen' AND object_name IS NULL", "");
    if (!rc) *out = (int32_t)n;
    return rc;
}

int store_insert_file(struct store *st, int64_t exposure_id, const struct file_row *f, struct err *why)
{
    char path[PATH_MAX];
    if (!folder_name_ok(f->name)) return fail(why, E_INPUT, "a frame's file needs a plain name");
    int rc = fs_join(path, sizeof path, st->frames, f->name, why);
    if (!rc && !folder_is_file(path)) rc = fail(why, E_STATE, "%s: not in the frames folder yet", path);
    return rc ? rc
              : db_run(
                    st->db, why,
                    "INSERT INTO file (exposure, role, name, bytes, sha256, captured_us, width_px, height_px,"
                    " exposure_us, f_number, iso, object_name)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    "ittitinnirrt", exposure_id, word_of(WORD_ROLE, (int)f->role), f->name, f->bytes,
                    f->sha256, f->captured_wall_us, (int)f->width_px, (int)f->height_px, f->exposure_us,
                    f->f_number, f->iso, f->object_name);
}

static int insert_files(struct store *st, int64_t id, const struct file_row *files, int32_t count,
                        struct err *why)
{
    int rc = E_OK;
    for (int32_t i = 0; i < count && !rc; i++)
        rc = store_insert_file(st, id, &files[i], why);
    return rc;
}

int store_exposure_kept(struct store *st, int64_t id, const struct file_row *files, int32_t count,
                        struct err *why)
{
    int rc = store_may_write(st, why);
    if (!rc && (count < 1 || count > FRAME_FILES_MOST))
        rc = fail(why, E_INPUT, "exposure %lld: a kept one has 1 to %d files", (long long)id,
                  FRAME_FILES_MOST);
    if (!rc) rc = db_begin(st->db, why);
    if (rc) return rc;
    rc = go(st, id, EXPOSURE_KEPT, "", why);
    if (!rc && files[0].object_name[0]) /* of one that was on the card: now it has a name */
        rc = db_run(st->db, why,
                    "UPDATE exposure SET object_name = ?, object_bytes = ?"
                    " WHERE id = ? AND object_name IS NULL",
                    "tii", files[0].object_name, files[0].bytes, id);
    if (!rc) rc = insert_files(st, id, files, count, why);
    return db_end(st->db, rc, why);
}

int store_exposure_more(struct store *st, int64_t id, const struct file_row *file, struct err *why)
{
    enum exposure_state state = EXPOSURE_LOST;
    int rc = store_may_write(st, why);
    if (!rc) rc = state_of(st, id, &state, why);
    if (!rc && state != EXPOSURE_KEPT)
        rc = fail(why, E_STATE, "exposure %lld: only a kept one gets another file", (long long)id);
    if (!rc) rc = db_begin(st->db, why);
    return rc ? rc : db_end(st->db, store_insert_file(st, id, file, why), why);
}

static int check_end(struct store *st, int64_t id, enum exposure_state to, int32_t count, struct err *why)
{
    enum exposure_state from = EXPOSURE_LOST;
    if (to != EXPOSURE_LOST && to != EXPOSURE_DOUBTFUL && to != EXPOSURE_FAILED)
        return fail(why, E_INPUT, "exposure %lld: no end called %s", (long long)id,
                    word_of(WORD_STATE, (int)to));
    int rc = state_of(st, id, &from, why);
    if (!rc && count && !(to == EXPOSURE_FAILED && from == EXPOSURE_SEEN))
        rc = fail(why, E_STATE, "exposure %lld: only one that was seen and failed brings files",
                  (long long)id);
    return rc;
}

int store_exposure_end(struct store *st, int64_t id, enum exposure_state state, const char *reason,
                       const struct file_row *files, int32_t count, struct err *why)
{
    char text[sizeof((struct exposure_row *)0)->reason];
    snprintf(text, sizeof text, "%s", reason);
    int rc = store_may_write(st, why);
    if (!rc) rc = db_begin(st->db, why);
    if (rc) return rc;
    rc = check_end(st, id, state, count, why);
    if (!rc) rc = go(st, id, state, text, why);
    if (!rc) rc = insert_files(st, id, files, count, why);
    return db_end(st->db, rc, why);
}

static int add_imported(struct store *st, int64_t plan_id, const struct imported_frame *f, struct err *why)
{
    const struct exposure_row row = {.purpose = PURPOSE_STACK,
                                     .plan_id = plan_id,
                                     .slice = f->slice,
                                     .attempt = 1,
                                     .nonce = STACK_NONE,
                                     .fire_seq = STACK_NONE,
                                     .camera_epoch = STACK_NONE,
                                     .reached_counts = STACK_NONE,
                                     .settle_us = STACK_NONE,
                                     .triggered_at_us = STACK_NONE,
                                     .exposure_us = f->files[0].exposure_us};
    int rc = db_run(st->db, why, "INSERT INTO slice (plan, number, margin) VALUES (?, ?, 0)", "in", plan_id,
                    (int)f->slice);
    if (!rc) rc = insert_exposure(st, &row, EXPOSURE_KEPT, why);
    const int64_t id = sqlite3_last_insert_rowid(st->db);
    if (!rc)
        rc = db_run(st->db, why, "UPDATE exposure SET object_name = ?, object_bytes = ? WHERE id = ?", "tii",
                    f->files[0].object_name, f->files[0].bytes, id);
    return rc ? rc : insert_files(st, id, f->files, f->file_count, why);
}

int store_add_imported(struct store *st, const struct imported_frame *frames, int32_t count,
                       int64_t made_wall_us, int64_t *plan_id_out, struct err *why)
{
    const struct plan_row plan = {
        .source = PLAN_IMPORTED, .made_wall_us = made_wall_us, .spacing_nm = STACK_NONE};
    int64_t id = 0;
    int rc = store_may_write(st, why);
    if (!rc) rc = db_begin(st->db, why);
    if (rc) return rc;
    rc = store_insert_plan(st, &plan, &id, why);
    for (int32_t i = 0; i < count && !rc; i++)
        rc = add_imported(st, id, &frames[i], why);
    rc = db_end(st->db, rc, why);
    if (!rc) *plan_id_out = id;
    return rc;
}
