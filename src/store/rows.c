/* rows.c - reading: each function turns one query into an array of records. A number or a word that does not
 * fit its record means that the file was not written by Staddle: E_DAMAGED, never a clipped value. */
#include <string.h>

#include "base/mem.h"
#include "store/db.h"
#include "store/folder.h"
#include "store/inner.h"
#include "store/words.h"

typedef void take_fn(sqlite3_stmt *, void *row, bool *bad);

/* Finishes `st`. */
static int collect(sqlite3_stmt *st, size_t size, take_fn *take, void **rows_out, int32_t *count_out,
                   struct err *why)
{
    char *rows = NULL;
    size_t count = 0, room = 0;
    bool bad = false;
    int rc;
    while ((rc = db_row(st, why)) > 0) {
        if (count == room) {
            char *more = mem_grow(rows, room, room ? 2 * room : 64, size, why);
            if (!more) {
                rc = E_NOMEM;
                break;
            }
            rows = more;
            room = room ? 2 * room : 64;
        }
        take(st, rows + size * count++, &bad);
    }
    sqlite3_finalize(st);
    if (!rc && (bad || count > INT32_MAX)) rc = store_damaged(why, "a value out of its range");
    if (!rc && !rows && !(rows = mem_new(1, size, why))) rc = E_NOMEM; /* no row is an array, too */
    if (rc) {
        mem_free(rows);
        return rc;
    }
    *rows_out = rows;
    *count_out = (int32_t)count;
    return E_OK;
}

static int word(sqlite3_stmt *st, int column, enum word_list list, bool *bad)
{
    const int v = word_find(list, (const char *)sqlite3_column_text(st, column));
    if (v < 0) *bad = true;
    return v < 0 ? 0 : v;
}

static char *copy_column(sqlite3_stmt *st, int column, int *rc, struct err *why)
{
    const char *text = (const char *)sqlite3_column_text(st, column);
    char *copy = text ? mem_copy_text(text, why) : NULL;
    if (text && !copy) *rc = E_NOMEM;
    return copy;
}

static int take_info(sqlite3_stmt *st, struct stack_info *out, struct err *why)
{
    struct stack_info info = {0};
    bool bad = false;
    int rc = E_OK;
    info.kind = (enum stack_kind)word(st, 0, WORD_KIND, &bad);
    info.order = (enum stack_order)word(st, 1, WORD_ORDER, &bad);
    info.simulated = sqlite3_column_int(st, 2) != 0;
    info.seed = (uint64_t)sqlite3_column_int64(st, 3);
    db_text(st, 4, info.name, sizeof info.name, &bad);
    info.created_wall_us = db_i64(st, 7);
    info.utc_offset_s = db_i32(st, 8, &bad);
    if (bad) return store_damaged(why, "a value out of its range");
    info.bench_text = copy_column(st, 5, &rc, why);
    info.job_text = copy_column(st, 6, &rc, why);
    if (rc)
        stack_info_clear(&info);
    else
        *out = info;
    return rc;
}

int store_info(struct store *s, struct stack_info *out, struct err *why)
{
    sqlite3_stmt *st;
    int rc = db_query(
        s->db, why, &st,
        "SELECT kind, capture_order, simulated, seed, name, bench, job, created_us, utc_offset_s FROM stack",
        "");
    if (rc) return rc;
    rc = db_row(st, why);
    if (rc == 0) rc = store_damaged(why, "no stack in it");
    if (rc > 0) rc = take_info(st, out, why);
    sqlite3_finalize(st);
    return rc;
}

void stack_info_clear(struct stack_info *info)
{
    mem_free(info->bench_text);
    mem_free(info->job_text);
    memset(info, 0, sizeof *info);
}

static void take_plan(sqlite3_stmt *st, void *row, bool *bad)
{
    struct plan_row *p = row;
    p->id = db_i64(st, 0);
    p->made_wall_us = db_i64(st, 1);
    p->source = (enum plan_source)word(st, 2, WORD_SOURCE, bad);
    p->spacing_nm = db_i64(st, 3);
    p->scale_change = db_real(st, 4);
    db_text(st, 5, p->reason, sizeof p->reason, bad);
}

int store_plans(struct store *s, struct plan_row **rows, int32_t *count, struct err *why)
{
    sqlite3_stmt *st;
    int rc =
        db_query(s->db, why, &st,
                 "SELECT id, made_us, source, spacing_nm, scale_change, reason FROM plan ORDER BY id", "");
    return rc ? rc : collect(st, sizeof **rows, take_plan, (void **)rows, count, why);
}

static void take_slice(sqlite3_stmt *st, void *row, bool *bad)
{
    struct slice_row *s = row;
    s->plan_id = db_i64(st, 0);
    s->number = db_i32(st, 1, bad);
    s->margin = sqlite3_column_int(st, 2) != 0;
    s->target_nm = db_i64(st, 3);
    s->target_counts = db_i64(st, 4);
}

int store_slices(struct store *s, int64_t plan_id, struct slice_row **rows, int32_t *count, struct err *why)
{
    sqlite3_stmt *st;
    int rc =
        db_query(s->db, why, &st,
                 "SELECT plan, number, margin, target_nm, target_counts FROM slice WHERE ?1 = 0 OR plan = ?1"
                 " ORDER BY plan, number",
                 "i", plan_id);
    return rc ? rc : collect(st, sizeof **rows, take_slice, (void **)rows, count, why);
}

static void take_exposure(sqlite3_stmt *st, void *row, bool *bad)
{
    struct exposure_row *e = row;
    e->id = db_i64(st, 0);
    e->purpose = (enum exposure_purpose)word(st, 1, WORD_PURPOSE, bad);
    e->plan_id = db_i64(st, 2);
    e->slice = db_i32(st, 3, bad);
    e->bracket = db_i32(st, 4, bad);
    e->attempt = db_i32(st, 5, bad);
    e->state = (enum exposure_state)word(st, 6, WORD_STATE, bad);
    db_text(st, 7, e->object_name, sizeof e->object_name, bad);
    e->object_bytes = db_i64(st, 8);
    e->nonce = db_i64(st, 9);
    e->fire_seq = db_i64(st, 10);
    e->camera_epoch = db_i64(st, 11);
    e->reached_counts = db_i64(st, 12);
    e->settle_us = db_i64(st, 13);
    e->triggered_at_us = db_i64(st, 14);
    e->exposure_us = db_i64(st, 15);
    db_text(st, 16, e->reason, sizeof e->reason, bad);
}

int store_exposures(struct store *s, struct exposure_row **rows, int32_t *count, struct err *why)
{
    sqlite3_stmt *st;
    int rc = db_query(
        s->db, why, &st,
        "SELECT id, purpose, plan, slice, bracket, try, state, object_name, object_bytes, nonce, fire_seq,"
        " camera_epoch, reached_counts, settle_us, triggered_at_us, exposure_us, reason"
        " FROM exposure ORDER BY id",
        "");
    return rc ? rc : collect(st, sizeof **rows, take_exposure, (void **)rows, count, why);
}

/* From column `c` on. */
static void take_file_at(sqlite3_stmt *st, int c, struct file_row *f, bool *bad)
{
    f->id = db_i64(st, c);
    f->exposure_id = db_i64(st, c + 1);
    f->role = (enum file_role)word(st, c + 2, WORD_ROLE, bad);
    db_text(st, c + 3, f->name, sizeof f->name, bad);
    f->bytes = db_i64(st, c + 4);
    db_text(st, c + 5, f->sha256, sizeof f->sha256, bad);
    f->captured_wall_us = db_i64(st, c + 6);
    f->width_px = db_i32(st, c + 7, bad);
    f->height_px = db_i32(st, c + 8, bad);
    f->exposure_us = db_i64(st, c + 9);
    f->f_number = db_real(st, c + 10);
    f->iso = db_real(st, c + 11);
    db_text(st, c + 12, f->object_name, sizeof f->object_name, bad);
    if (!folder_name_ok(f->name)) *bad = true;
}

static void take_file(sqlite3_stmt *st, void *row, bool *bad)
{
    take_file_at(st, 0, row, bad);
}

#define FILE_COLUMNS                                                                                         \
    "file.id, file.exposure, file.role, file.name, file.bytes, file.sha256, file.captured_us, "              \
    "file.width_px,"                                                                                         \
    " file.height_px, file.exposure_us, file.f_number, file.iso, file.object_name"

int store_files(struct store *s, int64_t exposure_id, struct file_row **rows, int32_t *count, struct err *why)
{
    sqlite3_stmt *st;
    int rc = db_query(s->db, why, &st,
                      "SELECT " FILE_COLUMNS " FROM file WHERE ?1 = 0 OR exposure = ?1 ORDER BY id", "i",
                      exposure_id);
    return rc ? rc : collect(st, sizeof **rows, take_file, (void **)rows, count, why);
}

static void take_event(sqlite3_stmt *st, void *row, bool *bad)
{
    struct event_row *e = row;
    e->id = db_i64(st, 0);
    e->at_wall_us = db_i64(st, 1);
    db_text(st, 2, e->kind, sizeof e->kind, bad);
    db_text(st, 3, e->text, sizeof e->text, bad);
    db_text(st, 4, e->detail, sizeof e->detail, bad);
}

int store_events(struct store *s, struct event_row **rows, int32_t *count, struct err *why)
{
    sqlite3_stmt *st;
    int rc = db_query(s->db, why, &st, "SELECT id, at_us, kind, text, detail FROM event ORDER BY id", "");
    return rc ? rc : collect(st, sizeof **rows, take_event, (void **)rows, count, why);
}

static void take_choice(sqlite3_stmt *st, void *row, bool *bad)
{
    struct choice_row *c = row;
    (void)bad;
    c->id = db_i64(st, 0);
    c->file_id = db_i64(st, 1);
    c->keep = sqlite3_column_int(st, 2) != 0;
    c->at_wall_us = db_i64(st, 3);
}

int store_choices(struct store *s, struct choice_row **rows, int32_t *count, struct err *why)
{
    sqlite3_stmt *st;
    int rc = db_query(s->db, why, &st, "SELECT id, file, keep, at_us FROM choice ORDER BY id", "");
    return rc ? rc : collect(st, sizeof **rows, take_choice, (void **)rows, count, why);
}

/* ---- frames: one row a file, gathered into one row a frame */

struct frame_file {
    struct frame_row frame;
    struct file_row file;
};

static void take_frame_file(sqlite3_stmt *st, void *row, bool *bad)
{
    struct frame_file *ff = row;
    struct frame_row *f = &ff->frame;
    f->exposure_id = db_i64(st, 0);
    f->plan_id = db_i64(st, 1);
    f->slice = db_i32(st, 2, bad);
    f->attempt = db_i32(st, 3, bad);
    f->margin = sqlite3_column_int(st, 4) != 0;
    f->target_nm = db_i64(st, 5);
    f->target_counts = db_i64(st, 6);
    f->reached_counts = db_i64(st, 7);
    f->triggered_at_us = db_i64(st, 8);
    f->exposure_us = db_i64(st, 9);
    take_file_at(st, 10, &ff->file, bad);
}

static int add_file(struct frame_row *f, const struct file_row *file, struct err *why)
{
    if (f->file_count == FRAME_FILES_MOST) return store_damaged(why, "a frame of too many files");
    f->files[f->file_count++] = *file;
    return E_OK;
}

/* What the frame says about itself comes from the file to measure. */
static void settle_facts(struct frame_row *f)
{
    const struct file_row *first = &f->files[0];
    f->captured_wall_us = first->captured_wall_us;
    f->f_number = first->f_number;
    f->iso = first->iso;
    if (f->exposure_us == STACK_NONE) f->exposure_us = first->exposure_us;
}

static int gather(const struct frame_file *from, int32_t count, struct frame_row *rows, int32_t *frames,
                  struct err *why)
{
    int32_t n = 0;
    for (int32_t i = 0; i < count; i++) {
        const bool same = n && rows[n - 1].exposure_id == from[i].frame.exposure_id;
        if (!same) rows[n++] = from[i].frame;
        int rc = add_file(&rows[n - 1], &from[i].file, why);
        if (rc) return rc;
    }
    for (int32_t i = 0; i < n; i++)
        settle_facts(&rows[i]);
    *frames = n;
    return E_OK;
}

/* Targets put frames in order where every slice has one. Of a frame, the JPEG comes first. */
static const char frames_sql[] =
    "WITH facts AS (SELECT (SELECT count(*) FROM slice WHERE target_counts IS NULL) = 0 AS placed,"
    "                      (SELECT capture_order FROM stack) = 'far-first' AS backwards)"
    " SELECT exposure.id, exposure.plan, exposure.slice, exposure.try, slice.margin, slice.target_nm,"
    "  slice.target_counts, exposure.reached_counts, exposure.triggered_at_us, "
    "exposure.exposure_us, " FILE_COLUMNS
    " FROM facts, exposure JOIN slice ON slice.plan = exposure.plan AND slice.number = exposure.slice"
    "  JOIN file ON file.exposure = exposure.id"
    " WHERE exposure.state = 'kept' AND exposure.purpose = 'stack' AND exposure.bracket = 0"
    " ORDER BY CASE WHEN placed THEN slice.target_counts ELSE 0 END,"
    "  CASE WHEN backwards THEN -exposure.slice ELSE exposure.slice END, exposure.plan, exposure.id,"
    "  CASE file.role WHEN 'jpeg' THEN 0 WHEN 'raw' THEN 1 ELSE 2 END, file.id";

int store_frames(struct store *s, struct frame_row **rows, int32_t *count, struct err *why)
{
    struct frame_file *all;
    sqlite3_stmt *st;
    int32_t n, frames;
    int rc = db_query(s->db, why, &st, frames_sql, "");
    if (!rc) rc = collect(st, sizeof *all, take_frame_file, (void **)&all, &n, why);
    if (rc) return rc;
    struct frame_row *out = mem_new((size_t)n, sizeof *out, why);
    rc = out ? gather(all, n, out, &frames, why) : E_NOMEM;
    mem_free(all);
    if (rc) {
        mem_free(out);
        return rc;
    }
    *rows = out;
    *count = frames;
    return E_OK;
}
