/* db.h - the few lines of SQLite that the rest of store/ repeats: bind, step, and an error in our own words.
 *
 * Parameters come by a string of types: 'i' int64_t (STACK_NONE is NULL), 'n' int (no NULL), 'r' double, 't'
 * text (NULL is NULL). */
#ifndef STADDLE_STORE_DB_H
#define STADDLE_STORE_DB_H

#include <sqlite3.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

/* Opens DIR/stack.db. No link is followed below DIR. */
int db_open(const char *dir, bool readonly, bool create, sqlite3 **out, struct err *why);

/* What SQLite says was wrong, as an error; and a connection that trusts nothing in the file. */
int db_complain(sqlite3 *db, struct err *why);
int db_harden(sqlite3 *db, struct err *why);

/* The whole database, as it is now, in memory: opened as one to write to, which reaches no file. */
int db_copy_to_memory(sqlite3 *db, sqlite3 **out, struct err *why);

/* The same as the new file `path`, synced. E_IO leaves what there is of it. */
int db_copy_to_file(sqlite3 *db, const char *path, struct err *why);

/* One or more statements without parameters. */
int db_script(sqlite3 *db, const char *sql, struct err *why);

/* One statement to its end. */
int db_run(sqlite3 *db, struct err *why, const char *sql, const char *types, ...);

/* A statement to read from; finish it with sqlite3_finalize. */
int db_query(sqlite3 *db, struct err *why, sqlite3_stmt **out, const char *sql, const char *types, ...);

/* 1: a row is there; 0: none left; else a negative code. */
int db_row(sqlite3_stmt *, struct err *why);

/* The first column of the first row: one number. E_DAMAGED when there is no row. */
int db_number(sqlite3 *db, struct err *why, int64_t *out, const char *sql, const char *types, ...);

int db_begin(sqlite3 *db, struct err *why);

/* Ends a transaction: commits when rc is 0, else rolls back and returns rc. A failed commit is rolled back,
 * too. */
int db_end(sqlite3 *db, int rc, struct err *why);

/* Columns. What does not fit sets *bad: a damaged or foreign row. */
int64_t db_i64(sqlite3_stmt *, int column);                                  /* NULL is STACK_NONE */
int32_t db_i32(sqlite3_stmt *, int column, bool *bad);                       /* NULL is 0 */
double db_real(sqlite3_stmt *, int column);                                  /* NULL is 0 */
void db_text(sqlite3_stmt *, int column, char *out, size_t room, bool *bad); /* NULL is "" */

#endif
