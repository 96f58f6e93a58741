/* db_faults.h - the database's own writes, syncs, truncations and deletions count as calls of the file seam,
 * too, and fail with them (faults.h): a layer between SQLite and the operating system. */
#ifndef TESTS_SUPPORT_DB_FAULTS_H
#define TESTS_SUPPORT_DB_FAULTS_H

/* For databases opened from now on. */
void db_faults_on(void);
void db_faults_off(void);

/* Syncs of a write-ahead log that reached the layer since db_faults_on. */
long db_faults_log_syncs(void);

#endif
