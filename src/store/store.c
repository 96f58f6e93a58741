#include "store/store.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <unistd.h>

#include "base/fs.h"
#include "base/holder.h"
#include "base/mem.h"
#include "store/db.h"
#include "store/folder.h"
#include "store/inner.h"
#include "store/schema.h"
#include "store/words.h"

int store_damaged(struct err *why, const char *what)
{
    return fail(why, E_DAMAGED, "stack.db: damaged (%.150s); use a copy of the stack folder", what);
}

int store_may_write(const struct store *st, struct err *why)
{
    return st->readonly ? fail(why, E_STATE, "%s: opened for reading only", st->dir) : E_OK;
}

const char *store_dir(const struct store *st)
{
    return st->dir;
}

const char *store_frames_dir(const struct store *st)
{
    return st->frames;
}

static int set_paths(struct store *st, const char *dir, struct err *why)
{
    int rc = strlen(dir) < sizeof st->dir ? E_OK : fail(why, E_INPUT, "%.60s...: the path is too long", dir);
    if (rc) return rc;
    strcpy(st->dir, dir);
    rc = fs_join(st->frames, sizeof st->frames, dir, "frames", why);
    return rc ? rc : fs_join(st->derived, sizeof st->derived, dir, "derived", why);
}

/* One writer a stack: the lock is on the folder itself, so it needs no file and ends with the process. */
static int lock_folder(struct store *st, struct err *why)
{
    st->lock = open(st->dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (st->lock < 0) return fail_errno(why, E_INPUT, "%s: cannot open the folder", st->dir);
    if (flock(st->lock, LOCK_EX | LOCK_NB) == 0) return E_OK;
    char holder[80];
    find_holder(st->dir, holder, sizeof holder);
    return fail(why, E_STATE, "%s: this stack is being written by %s; wait for it, or 'staddle stop %s'",
                st->dir, holder[0] ? holder : "another staddle", st->dir);
}

static int blank(const char *dir, struct store **out, struct err *why)
{
    struct store *st = mem_new(1, sizeof *st, why);
    if (!st) return E_NOMEM;
    st->lock = -1;
    int rc = set_paths(st, dir, why);
    if (rc)
        mem_free(st);
    else
        *out = st;
    return rc;
}

void store_close(struct store *st)
{
    if (!st) return;
    sqlite3_close(st->db);
    if (st->lock >= 0) close(st->lock);
    mem_free(st);
}

static int insert_stack(struct store *st, const struct stack_info *info, struct err *why)
{
    int64_t seed;
    memcpy(&seed, &info->seed, sizeof seed);
    sqlite3_stmt *row;
    int rc = db_query(st->db, why, &row,
                      "INSERT INTO stack (kind, capture_order, simulated, seed, name, bench, job, created_us,"
                      " utc_offset_s) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                      "ttnntttin", word_of(WORD_KIND, (int)info->kind), word_of(WORD_ORDER, (int)info->order),
                      (int)info->simulated, 0, info->name, info->bench_text, info->job_text,
                      info->created_wall_us, (int)info->utc_offset_s);
    if (rc) return rc;
    sqlite3_bind_int64(row, 4, seed); /* any 64 bits, also those of STACK_NONE */
    rc = db_row(row, why);
    sqlite3_finalize(row);
    return rc;
}

/* A stack's folders and database in the empty folder st->dir. */
static int fill_new(struct store *st, const struct stack_info *info, struct err *why)
{
    int rc = fs_make_dir(st->frames, why);
    if (!rc) rc = fs_make_dir(st->derived, why);
    if (!rc) rc = db_open(st->dir, false, true, &st->db, why);
    if (!rc) rc = db_script(st->db, "PRAGMA journal_mode = WAL", why);
    if (!rc) rc = schema_migrate(st->db, schema_steps, schema_step_count, why);
    if (!rc) rc = insert_stack(st, info, why);
    return rc;
}

int store_fill(const char *made, const struct stack_info *info, struct store **out, struct err *why)
{
    struct store *st;
    int rc = blank(made, &st, why);
    if (rc) return rc;
    rc = lock_folder(st, why);
    if (!rc) rc = fill_new(st, info, why);
    if (rc)
        store_close(st);
    else
        *out = st;
    return rc;
}

int store_create(const char *dir, const struct stack_info *info, struct store **out, struct err *why)
{
    char part[PATH_MAX];
    int rc = folder_begin(dir, part, sizeof part, why);
    if (rc) return rc;
    struct store *st = NULL;
    rc = store_fill(part, info, &st, why);
    store_close(st);
    if (!rc) rc = folder_finish(part, dir, why);
    if (rc) {
        folder_drop(part);
        return rc;
    }
    return store_open(dir, false, out, why);
}

/* What SQLite keeps beside the database: were one of them a link, it would lead out of the folder. */
static int check_beside(const char *db, struct err *why)
{
    static const char *const endings[] = {"-wal", "-shm", "-journal"};
    for (size_t i = 0; i < sizeof endings / sizeof *endings; i++) {
        char path[PATH_MAX + 16];
        snprintf(path, sizeof path, "%s%s", db, endings[i]);
        if (fs_exists(path) && !folder_is_file(path))
            return fail(why, E_DAMAGED,
                        "stack.db%s: no ordinary file; remove it, or use a copy of the stack folder",
                        endings[i]);
    }
    return E_OK;
}

static int looks_like_a_stack(const struct store *st, struct err *why)
{
    char path[PATH_MAX];
    int rc = fs_join(path, sizeof path, st->dir, "stack.db", why);
    if (rc) return rc;
    if (access(st->dir, F_OK)) return fail(why, E_INPUT, "%s: no such folder; name a stack folder", st->dir);
    if (!fs_exists(path))
        return fail(why, E_INPUT, "%s: no stack folder (it has no stack.db); name one", st->dir);
    if (!folder_is_file(path)) return store_damaged(why, "not an ordinary file");
    rc = check_beside(path, why);
    if (rc) return rc;
    if (!folder_is_dir(st->frames))
        return fail(why, E_DAMAGED, "%s: is missing or no folder; use a copy of the stack folder",
                    st->frames);
    return E_OK;
}

/* Its older state stays beside it as stack.db.v1 and so on: nothing of a stack is ever lost. */
static int keep_older(struct store *st, int version, struct err *why)
{
    char to[PATH_MAX], part[PATH_MAX];
    const int n = snprintf(to, sizeof to, "%s/stack.db.v%d", st->dir, version);
    if (n < 0 || (size_t)n + sizeof ".part" > sizeof to)
        return fail(why, E_INPUT, "%.60s...: the path is too long; use a shorter folder", st->dir);
    if (fs_exists(to)) return E_OK; /* from an attempt that was ended */
    snprintf(part, sizeof part, "%.*s.part", n, to);
    unlink(part);
    int rc = db_copy_to_file(st->db, part, why);
    if (!rc) rc = fs_rename(part, to, why);
    return rc ? rc : fs_sync_dir(st->dir, why);
}

/* For writing, each step is a transaction on the stack itself, once a copy is safe. For reading, nothing on
 * the disk changes: the copy in memory is migrated, and read. */
static int bring_up(struct store *st, int version, const char *const *steps, int count, struct err *why)
{
    sqlite3 *copy;
    int rc;
    if (!st->readonly) {
        rc = keep_older(st, version, why);
        return rc ? rc : schema_migrate(st->db, steps, count, why);
    }
    rc = db_copy_to_memory(st->db, &copy, why);
    if (rc) return rc;
    sqlite3_close(st->db);
    st->db = copy;
    rc = schema_migrate(st->db, steps, count, why);
    return rc ? rc : db_script(st->db, "PRAGMA query_only = ON", why);
}

static int open_and_check(struct store *st, const char *const *steps, int count, struct err *why)
{
    int version = 0;
    int rc = looks_like_a_stack(st, why);
    if (!rc && !st->readonly) rc = lock_folder(st, why);
    if (!rc) rc = db_open(st->dir, st->readonly, false, &st->db, why);
    if (!rc) rc = schema_check(st->db, count, &version, why);
    if (!rc && version < count) rc = bring_up(st, version, steps, count, why);
    return rc ? rc : schema_check_rows(st->db, why);
}

int store_open_as(const char *dir, bool readonly, const char *const *steps, int count, struct store **out,
                  struct err *why)
{
    struct store *st;
    int rc = blank(dir, &st, why);
    if (rc) return rc;
    st->readonly = readonly;
    rc = open_and_check(st, steps, count, why);
    if (rc) {
        store_close(st);
        return rc;
    }
    *out = st;
    return E_OK;
}

int store_open(const char *dir, bool readonly, struct store **out, struct err *why)
{
    return store_open_as(dir, readonly, schema_steps, schema_step_count, out, why);
}

int store_insert_plan(struct store *st, const struct plan_row *p, int64_t *id_out, struct err *why)
{
    int rc =
        db_run(st->db, why,
               "INSERT INTO plan (made_us, source, spacing_nm, scale_change, reason) VALUES (?, ?, ?, ?, ?)",
               "itirt", p->made_wall_us, word_of(WORD_SOURCE, (int)p->source), p->spacing_nm, p->scale_change,
               p->reason);
    if (!rc) *id_out = sqlite3_last_insert_rowid(st->db);
    return rc;
}

static int insert_slices(struct store *st, int64_t plan_id, const struct plan *plan, struct err *why)
{
    int rc = E_OK;
    for (int32_t i = 0; i < plan->slice_count && !rc; i++) {
        const struct plan_slice *s = &plan->slices[i];
        rc = db_run(
            st->db, why,
            "INSERT INTO slice (plan, number, margin, target_nm, target_counts) VALUES (?, ?, ?, ?, ?)",
            "innii", plan_id, (int)s->number, (int)s->margin, s->target_nm, s->target_counts);
    }
    return rc;
}

int store_add_plan(struct store *st, const struct plan *plan, const char *reason, int64_t made_wall_us,
                   int64_t *plan_id_out, struct err *why)
{
    struct plan_row row = {.source = plan->source,
                           .made_wall_us = made_wall_us,
                           .spacing_nm = plan->spacing_nm,
                           .scale_change = plan->optics.scale_change};
    int64_t id = 0;
    snprintf(row.reason, sizeof row.reason, "%s", reason);
    int rc = store_may_write(st, why);
    if (!rc) rc = db_begin(st->db, why);
    if (rc) return rc;
    rc = store_insert_plan(st, &row, &id, why);
    if (!rc) rc = insert_slices(st, id, plan, why);
    rc = db_end(st->db, rc, why);
    if (!rc) *plan_id_out = id;
    return rc;
}

int store_add_event(struct store *st, int64_t at_wall_us, const char *kind, const char *text,
                    const char *detail, struct err *why)
{
    struct event_row row; /* as it will come out again */
    snprintf(row.kind, sizeof row.kind, "%s", kind);
    snprintf(row.text, sizeof row.text, "%s", text);
    snprintf(row.detail, sizeof row.detail, "%s", detail ? detail : "");
    int rc = store_may_write(st, why);
    return rc ? rc
              : db_run(st->db, why, "INSERT INTO event (at_us, kind, text, detail) VALUES (?, ?, ?, ?)",
                       "ittt", at_wall_us, row.kind, row.text, row.detail);
}

int store_add_choice(struct store *st, int64_t file_id, bool keep, int64_t at_wall_us, struct err *why)
{
    int rc = store_may_write(st, why);
    return rc ? rc
              : db_run(st->db, why, "INSERT INTO choice (file, keep, at_us) VALUES (?, ?, ?)", "ini", file_id,
                       (int)keep, at_wall_us);
}
