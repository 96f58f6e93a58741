#include "store/schema.h"

#include <stdio.h>
#include <string.h>

#include "store/db.h"

static const char step_1[] =
    "CREATE TABLE stack ("
    " id INTEGER PRIMARY KEY CHECK (id = 1),"
    " kind TEXT NOT NULL CHECK (kind IN ('planned', 'imported')),"
    " capture_order TEXT NOT NULL CHECK (capture_order IN ('near-first', 'far-first', 'unknown')),"
    " simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)),"
    " seed INTEGER NOT NULL," /* 64 bits, shown signed */
    " name TEXT NOT NULL,"
    " bench TEXT,"
    " job TEXT,"
    " created_us INTEGER NOT NULL,"
    " utc_offset_s INTEGER NOT NULL) STRICT;"
    "CREATE TABLE plan ("
    " id INTEGER PRIMARY KEY,"
    " made_us INTEGER NOT NULL,"
    " source TEXT NOT NULL CHECK (source IN ('planned', 'imported', 'filled', 'extended')),"
    " spacing_nm INTEGER,"
    " scale_change REAL NOT NULL,"
    " reason TEXT NOT NULL) STRICT;"
    "CREATE TABLE slice ("
    " plan INTEGER NOT NULL REFERENCES plan (id),"
    " number INTEGER NOT NULL CHECK (number >= 1),"
    " margin INTEGER NOT NULL CHECK (margin IN (0, 1)),"
    " target_nm INTEGER,"
    " target_counts INTEGER,"
    " PRIMARY KEY (plan, number)) STRICT, WITHOUT ROWID;"
    "CREATE TABLE exposure ("
    " id INTEGER PRIMARY KEY,"
    " purpose TEXT NOT NULL CHECK (purpose IN ('stack', 'closing', 'reference', 'test')),"
    " plan INTEGER,"
    " slice INTEGER,"
    " bracket INTEGER NOT NULL CHECK (bracket >= 0),"
    " try INTEGER NOT NULL CHECK (try >= 1),"
    " state TEXT NOT NULL CHECK (state IN ('firing', 'seen', 'kept', 'lost', 'doubtful', 'failed')),"
    " object_name TEXT,"
    " object_bytes INTEGER,"
    " nonce INTEGER,"
    " fire_seq INTEGER,"
    " camera_epoch INTEGER,"
    " reached_counts INTEGER,"
    " settle_us INTEGER,"
    " triggered_at_us INTEGER,"
    " exposure_us INTEGER,"
    " reason TEXT NOT NULL,"
    " CHECK ((purpose = 'stack') = (slice IS NOT NULL)),"
    " CHECK ((plan IS NULL) = (slice IS NULL)),"
    " FOREIGN KEY (plan, slice) REFERENCES slice (plan, number)) STRICT;"
    "CREATE UNIQUE INDEX exposure_kept ON exposure (plan, slice, bracket) WHERE state = 'kept';"
    "CREATE UNIQUE INDEX exposure_open ON exposure (plan, slice, bracket)"
    " WHERE state IN ('firing', 'seen', 'doubtful');"
    "CREATE UNIQUE INDEX exposure_try ON exposure (purpose, plan, slice, bracket, try);"
    "CREATE TABLE file ("
    " id INTEGER PRIMARY KEY,"
    " exposure INTEGER NOT NULL REFERENCES exposure (id),"
    " role TEXT NOT NULL CHECK (role IN ('jpeg', 'raw', 'other')),"
    " name TEXT NOT NULL UNIQUE,"
    " bytes INTEGER NOT NULL CHECK (bytes >= 0),"
    " sha256 TEXT NOT NULL CHECK (length(sha256) = 64),"
    " captured_us INTEGER,"
    " width_px INTEGER,"
    " height_px INTEGER,"
    " exposure_us INTEGER,"
    " f_number REAL,"
    " iso REAL,"
    " object_name TEXT NOT NULL) STRICT;"
    "CREATE INDEX file_exposure ON file (exposure);"
    "CREATE TABLE choice ("
    " id INTEGER PRIMARY KEY,"
    " file INTEGER NOT NULL REFERENCES file (id),"
    " keep INTEGER NOT NULL CHECK (keep IN (0, 1)),"
    " at_us INTEGER NOT NULL) STRICT;"
    "CREATE TABLE event ("
    " id INTEGER PRIMARY KEY,"
    " at_us INTEGER NOT NULL,"
    " kind TEXT NOT NULL,"
    " text TEXT NOT NULL,"
    " detail TEXT NOT NULL) STRICT;";

const char *const schema_steps[] = {step_1};
const int schema_step_count = sizeof schema_steps / sizeof *schema_steps;

static int one_step(sqlite3 *db, const char *sql, int version, struct err *why)
{
    char stamp[96];
    snprintf(stamp, sizeof stamp, "PRAGMA application_id = %d; PRAGMA user_version = %d;",
             SCHEMA_APPLICATION_ID, version);
    int rc = db_begin(db, why);
    if (rc) return rc;
    rc = db_script(db, sql, why);
    if (!rc) rc = db_script(db, stamp, why);
    return db_end(db, rc, why);
}

static int too_new(int64_t version, int ours, struct err *why)
{
    return fail(why, E_UNSUPPORTED,
                "stack.db: made by a newer Staddle (format %lld, this one knows %d); update Staddle",
                (long long)version, ours);
}

int schema_migrate(sqlite3 *db, const char *const *steps, int count, struct err *why)
{
    int64_t version;
    int rc = db_number(db, why, &version, "PRAGMA user_version", "");
    if (rc) return rc;
    if (version < 0 || version > count) return too_new(version, count, why);
    for (int i = (int)version; i < count && !rc; i++)
        rc = one_step(db, steps[i], i + 1, why);
    return rc;
}

static int check_pages(sqlite3 *db, struct err *why)
{
    sqlite3_stmt *st;
    int rc = db_query(db, why, &st, "PRAGMA quick_check(1)", "");
    if (rc) return rc;
    rc = db_row(st, why);
    const char *text = rc > 0 ? (const char *)sqlite3_column_text(st, 0) : NULL;
    if (rc >= 0)
        rc = text && !strcmp(text, "ok")
                 ? E_OK
                 : fail(why, E_DAMAGED, "stack.db: damaged (%.150s); use a copy of the stack folder",
                        text ? text : "no answer");
    sqlite3_finalize(st);
    return rc;
}

static int check_count(sqlite3 *db, const char *sql, int64_t wanted, const char *what, struct err *why)
{
    int64_t n;
    int rc = db_number(db, why, &n, sql, "");
    if (!rc && n != wanted)
        rc = fail(why, E_DAMAGED, "stack.db: damaged (%.150s); use a copy of the stack folder", what);
    return rc;
}

int schema_check(sqlite3 *db, int count, int *version_out, struct err *why)
{
    int64_t id = 0, version = 0;
    int rc = db_number(db, why, &id, "PRAGMA application_id", "");
    if (!rc && id != SCHEMA_APPLICATION_ID)
        rc = fail(why, E_INPUT, "stack.db: a database, but not one of a stack; name a stack folder");
    if (!rc) rc = db_number(db, why, &version, "PRAGMA user_version", "");
    if (!rc && version > count) rc = too_new(version, count, why);
    if (!rc && version < 1)
        rc = fail(why, E_DAMAGED, "stack.db: damaged (format %lld); use a copy of the stack folder",
                  (long long)version);
    if (!rc) rc = check_pages(db, why);
    if (!rc)
        rc = check_count(db, "SELECT count(*) FROM sqlite_schema WHERE type IN ('trigger', 'view')", 0,
                         "it holds code that Staddle did not write", why);
    if (!rc) *version_out = (int)version;
    return rc;
}

int schema_check_rows(sqlite3 *db, struct err *why)
{
    const int rc =
        check_count(db, "SELECT count(*) FROM pragma_foreign_key_check", 0, "rows point nowhere", why);
    return rc ? rc : check_count(db, "SELECT count(*) FROM stack", 1, "not one stack in it", why);
}
