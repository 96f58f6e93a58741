/* faults.h - the n-th write, sync or rename of the file seam fails, as a full or broken disk would. */
#ifndef TESTS_SUPPORT_FAULTS_H
#define TESTS_SUPPORT_FAULTS_H

#include <stdbool.h>

/* From now on, call number n (1 is the next) fails once: a write with ENOSPC after half of its bytes, a sync
 * or a rename with EIO. 0: none fails. No sync reaches the disk: hundreds of them take their time. */
void faults_at(long n);

/* As if the process were killed at call number n: that call and every later one fail. */
void faults_dead_from(long n);

/* A full disk, until told otherwise; any thread. */
void faults_full(bool full);
bool faults_is_full(void);

/* For other layers that join in: counts a call; true, with errno set, when it has to fail. */
bool faults_due(int error);

/* Has it happened? */
bool faults_happened(void);

/* Calls of the seam since faults_at. */
long faults_calls(void);

/* The operating system's calls again. */
void faults_off(void);

#endif
