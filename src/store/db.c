#include "store/db.h"

#include <errno.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/fs.h"
#include "staddle/stack.h"

/* Nothing in a stack comes near these; a foreign file that does is refused early. */
#define LONGEST_VALUE 16000000
#define LONGEST_SQL   100000

int db_complain(sqlite3 *db, struct err *why)
{
    const int code = sqlite3_errcode(db);
    const char *text = sqlite3_errmsg(db);
    switch (code & 0xff) {
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
        return fail(why, E_STATE, "stack.db: in use by another program; wait until it has finished");
    case SQLITE_NOMEM:
        return fail(why, E_NOMEM, "stack.db: no memory; close other programs");
    case SQLITE_CONSTRAINT:
        return fail(why, E_STATE, "stack.db: the entry was refused (%s); see what the stack holds by status",
                    text);
    case SQLITE_READONLY:
        return fail(why, E_IO, "stack.db: cannot be written (%s); give the right to write, or use a copy",
                    text);
    case SQLITE_FULL:
        return fail(why, E_FULL, "stack.db: no room on the disk; free some");
    case SQLITE_IOERR:
    case SQLITE_CANTOPEN:
        return fail(why, E_IO, "stack.db: the disk refused (%s); make room or check the disk", text);
    default:
        return fail(why, E_DAMAGED, "stack.db: damaged (%.150s); use a copy of the stack folder", text);
    }
}

int db_harden(sqlite3 *db, struct err *why)
{
    sqlite3_extended_result_codes(db, 1);
    sqlite3_busy_timeout(db, 1000);
    sqlite3_db_config(db, SQLITE_DBCONFIG_DEFENSIVE, 1, NULL);
    sqlite3_db_config(db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, NULL);
    sqlite3_db_config(db, SQLITE_DBCONFIG_ENABLE_TRIGGER, 0, NULL);
    sqlite3_db_config(db, SQLITE_DBCONFIG_ENABLE_VIEW, 0, NULL);
    sqlite3_limit(db, SQLITE_LIMIT_LENGTH, LONGEST_VALUE);
    sqlite3_limit(db, SQLITE_LIMIT_SQL_LENGTH, LONGEST_SQL);
    sqlite3_limit(db, SQLITE_LIMIT_ATTACHED, 0);
    return db_script(db, "PRAGMA cell_size_check = ON; PRAGMA foreign_keys = ON; PRAGMA synchronous = FULL;",
                     why);
}

/* How to open the file for reading. A reader that may write opens it as a writer would, and asks for nothing
 * but reading: so it clears its traces away when it is the last to leave. In an archive there is no place for
 * the shared memory of WAL: then, and only when there is no write-ahead log to be read, it is a file that
 * nobody changes. */
enum how { HOW_WRITE, HOW_READ, HOW_READ_ARCHIVE, HOW_READ_FROZEN };

static enum how how_to_read(const char *real)
{
    char wal[PATH_MAX], db[PATH_MAX];
    if (fs_join(wal, sizeof wal, real, "stack.db-wal", NULL) ||
        fs_join(db, sizeof db, real, "stack.db", NULL))
        return HOW_READ_ARCHIVE;
    if (access(real, W_OK) == 0 && access(db, W_OK) == 0) return HOW_READ;
    return access(wal, F_OK) == 0 ? HOW_READ_ARCHIVE : HOW_READ_FROZEN;
}

static int make_uri(char *out, size_t room, const char *real, bool immutable, struct err *why)
{
    size_t used = (size_t)snprintf(out, room, "file://");
    for (const char *p = real; *p && used + 4 < room; p++)
        used +=
            (size_t)snprintf(out + used, room - used, strchr("%?#", *p) ? "%%%02X" : "%c", (unsigned char)*p);
    int n = snprintf(out + used, room - used, "/stack.db%s", immutable ? "?immutable=1" : "");
    if (n < 0 || (size_t)n >= room - used) return fail(why, E_INPUT, "%.60s...: the path is too long", real);
    return E_OK;
}

int db_open(const char *dir, bool readonly, bool create, sqlite3 **out, struct err *why)
{
    char real[PATH_MAX], uri[3 * PATH_MAX];
    if (!realpath(dir, real)) return fail_errno(why, E_INPUT, "%s: cannot find the folder", dir);
    const enum how how = readonly ? how_to_read(real) : HOW_WRITE;
    int rc = make_uri(uri, sizeof uri, real, how == HOW_READ_FROZEN, why);
    if (rc) return rc;
    sqlite3 *db = NULL;
    const int flags =
        SQLITE_OPEN_URI | SQLITE_OPEN_NOFOLLOW | SQLITE_OPEN_FULLMUTEX | SQLITE_OPEN_PRIVATECACHE |
        (how <= HOW_READ ? SQLITE_OPEN_READWRITE : SQLITE_OPEN_READONLY) | (create ? SQLITE_OPEN_CREATE : 0);
    if (sqlite3_open_v2(uri, &db, flags, NULL) != SQLITE_OK)
        rc = db ? db_complain(db, why) : fail(why, E_NOMEM, "stack.db: no memory; close other programs");
    if (!rc && !readonly && sqlite3_db_readonly(db, "main") == 1)
        rc = fail(why, E_INPUT, "%s: no right to write to this stack; use a copy of it", dir);
    if (!rc) rc = db_harden(db, why);
    if (!rc && readonly) rc = db_script(db, "PRAGMA query_only = ON", why);
    if (rc) {
        sqlite3_close(db);
        return rc;
    }
    *out = db;
    return E_OK;
}

int db_script(sqlite3 *db, const char *sql, struct err *why)
{
    return sqlite3_exec(db, sql, NULL, NULL, NULL) == SQLITE_OK ? E_OK : db_complain(db, why);
}

static int bind_all(sqlite3_stmt *st, const char *types, va_list ap)
{
    int rc = SQLITE_OK;
    for (int i = 1; *types && rc == SQLITE_OK; types++, i++) {
        if (*types == 'i') {
            const int64_t v = va_arg(ap, int64_t);
            rc = v == STACK_NONE ? sqlite3_bind_null(st, i) : sqlite3_bind_int64(st, i, v);
        } else if (*types == 'n') {
            rc = sqlite3_bind_int(st, i, va_arg(ap, int));
        } else if (*types == 'r') {
            rc = sqlite3_bind_double(st, i, va_arg(ap, double));
        } else {
            rc = sqlite3_bind_text(st, i, va_arg(ap, const char *), -1, SQLITE_TRANSIENT);
        }
    }
    return rc;
}

static int vquery(sqlite3 *db, struct err *why, sqlite3_stmt **out, const char *sql, const char *types,
                  va_list ap)
{
    sqlite3_stmt *st = NULL;
    if (sqlite3_prepare_v2(db, sql, -1, &st, NULL) != SQLITE_OK || bind_all(st, types, ap) != SQLITE_OK) {
        int rc = db_complain(db, why);
        sqlite3_finalize(st);
        return rc;
    }
    *out = st;
    return E_OK;
}

int db_query(sqlite3 *db, struct err *why, sqlite3_stmt **out, const char *sql, const char *types, ...)
{
    va_list ap;
    va_start(ap, types);
    int rc = vquery(db, why, out, sql, types, ap);
    va_end(ap);
    return rc;
}

int db_row(sqlite3_stmt *st, struct err *why)
{
    const int rc = sqlite3_step(st);
    if (rc == SQLITE_ROW) return 1;
    return rc == SQLITE_DONE ? 0 : db_complain(sqlite3_db_handle(st), why);
}

int db_run(sqlite3 *db, struct err *why, const char *sql, const char *types, ...)
{
    sqlite3_stmt *st;
    va_list ap;
    va_start(ap, types);
    int rc = vquery(db, why, &st, sql, types, ap);
    va_end(ap);
    if (rc) return rc;
    while ((rc = db_row(st, why)) > 0) {
    }
    sqlite3_finalize(st);
    return rc;
}

int db_number(sqlite3 *db, struct err *why, int64_t *out, const char *sql, const char *types, ...)
{
    sqlite3_stmt *st;
    va_list ap;
    va_start(ap, types);
    int rc = vquery(db, why, &st, sql, types, ap);
    va_end(ap);
    if (rc) return rc;
    rc = db_row(st, why);
    if (rc > 0)
        *out = db_i64(st, 0);
    else if (rc == 0)
        rc = fail(why, E_DAMAGED, "stack.db: damaged (a row is missing); use a copy of the stack folder");
    sqlite3_finalize(st);
    return rc < 0 ? rc : E_OK;
}

int db_begin(sqlite3 *db, struct err *why)
{
    return db_script(db, "BEGIN IMMEDIATE", why);
}

int db_end(sqlite3 *db, int rc, struct err *why)
{
    if (!rc) rc = db_script(db, "COMMIT", why);
    if (rc && !sqlite3_get_autocommit(db)) sqlite3_exec(db, "ROLLBACK", NULL, NULL, NULL);
    return rc;
}

int64_t db_i64(sqlite3_stmt *st, int column)
{
    return sqlite3_column_type(st, column) == SQLITE_NULL ? STACK_NONE : sqlite3_column_int64(st, column);
}

int32_t db_i32(sqlite3_stmt *st, int column, bool *bad)
{
    const int64_t v = sqlite3_column_int64(st, column);
    if (v < INT32_MIN || v > INT32_MAX) *bad = true;
    return (int32_t)v;
}

double db_real(sqlite3_stmt *st, int column)
{
    return sqlite3_column_double(st, column);
}

void db_text(sqlite3_stmt *st, int column, char *out, size_t room, bool *bad)
{
    const char *text = (const char *)sqlite3_column_text(st, column);
    const size_t n = (size_t)sqlite3_column_bytes(st, column);
    out[0] = '\0';
    if (!text) return;
    if (n >= room || strlen(text) != n)
        *bad = true;
    else
        memcpy(out, text, n + 1);
}
