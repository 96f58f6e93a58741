/* inner.h - what a store is, for the files of store/ only. */
#ifndef STADDLE_STORE_INNER_H
#define STADDLE_STORE_INNER_H

#include <limits.h>
#include <sqlite3.h>

#include "store/store.h"

struct store {
    sqlite3 *db;
    bool readonly;
    int lock; /* of the folder, held by the one writer; -1 for a reader */
    char dir[PATH_MAX], frames[PATH_MAX], derived[PATH_MAX];
};

/* A new stack in the empty folder `made`, open for writing. The caller closes it, then renames the folder. */
int store_fill(const char *made, const struct stack_info *, struct store **out, struct err *why);

/* store_open as the version that these `count` steps make (tests of migration). */
int store_open_as(const char *dir, bool readonly, const char *const *steps, int count, struct store **out,
                  struct err *why);

int store_may_write(const struct store *, struct err *why);

/* Inside a transaction: a file row of that exposure. */
int store_insert_file(struct store *, int64_t exposure_id, const struct file_row *, struct err *why);

/* Inside a transaction: a plan's row. */
int store_insert_plan(struct store *, const struct plan_row *, int64_t *id_out, struct err *why);

int store_damaged(struct err *why, const char *what);

#endif
