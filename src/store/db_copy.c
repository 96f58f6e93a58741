#include "store/db.h"

static int copy_all(sqlite3 *from, sqlite3 *to, struct err *why)
{
    sqlite3_backup *b = sqlite3_backup_init(to, "main", from, "main");
    if (!b) return db_complain(to, why);
    const int done = sqlite3_backup_step(b, -1);
    const int rc = sqlite3_backup_finish(b);
    if (done == SQLITE_DONE && rc == SQLITE_OK) return E_OK;
    return sqlite3_errcode(to) == SQLITE_OK ? db_complain(from, why) : db_complain(to, why);
}

static int copy_to(sqlite3 *db, const char *path, int flags, sqlite3 **out, struct err *why)
{
    sqlite3 *to = NULL;
    int rc = E_OK;
    if (sqlite3_open_v2(path, &to, flags | SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, NULL) != SQLITE_OK)
        rc = to ? db_complain(to, why) : fail(why, E_NOMEM, "stack.db: no memory; close other programs");
    if (!rc) rc = copy_all(db, to, why);
    if (!rc) rc = db_harden(to, why);
    if (rc)
        sqlite3_close(to);
    else
        *out = to;
    return rc;
}

int db_copy_to_memory(sqlite3 *db, sqlite3 **out, struct err *why)
{
    return copy_to(db, ":memory:", SQLITE_OPEN_FULLMUTEX | SQLITE_OPEN_PRIVATECACHE, out, why);
}

int db_copy_to_file(sqlite3 *db, const char *path, struct err *why)
{
    sqlite3 *to;
    const int rc = copy_to(db, path, SQLITE_OPEN_NOFOLLOW, &to, why);
    if (!rc) sqlite3_close(to);
    return rc;
}
