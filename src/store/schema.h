/* schema.h - the tables of a stack, their version, and the way from an older version to this one.
 *
 * The file carries our application id and, as user_version, the number of steps that made it. A step is never
 * edited once a stack may have been made with it: a change of the tables is a new step. */
#ifndef STADDLE_STORE_SCHEMA_H
#define STADDLE_STORE_SCHEMA_H

#include <sqlite3.h>
#include <stdbool.h>

#include "base/err.h"

#define SCHEMA_APPLICATION_ID 0x5374646c /* "Stdl" */

extern const char *const schema_steps[];
extern const int schema_step_count; /* = the version that this program writes */

/* Runs the steps that the file lacks, each with its new version in one transaction. E_UNSUPPORTED: the file
 * is newer. */
int schema_migrate(sqlite3 *db, const char *const *steps, int count, struct err *why);

/* Is this a stack of ours, undamaged, of version 1 to `count`? Its version. E_INPUT a foreign database,
 * E_DAMAGED, E_UNSUPPORTED newer. */
int schema_check(sqlite3 *db, int count, int *version_out, struct err *why);

/* After migrating: do its rows fit together, and is there one stack? E_DAMAGED. */
int schema_check_rows(sqlite3 *db, struct err *why);

#endif
