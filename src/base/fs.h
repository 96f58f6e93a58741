/* fs.h - the file seam: every byte that Staddle writes to disk goes through here, so that tests can make any
 * single write, sync or rename fail. Reading uses the ordinary library.
 *
 * The durable way to make a file: fs_put writes NAME.part, syncs it, renames it and syncs the folder. A file
 * under its final name is therefore whole. */
#ifndef STADDLE_BASE_FS_H
#define STADDLE_BASE_FS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

struct fs_ops {
    long (*write)(int fd, const void *bytes, size_t count); /* as write(2) */
    int (*sync)(int fd);                                    /* as fsync(2) */
    int (*rename)(const char *from, const char *to);        /* as rename(2) */
    int64_t (*room)(const char *path);                      /* as fs_room; NULL: the disk's own */
};

/* NULL puts the operating system's own calls back. For tests, before any thread starts. */
void fs_use(const struct fs_ops *ops);

int fs_make_dir(const char *path, struct err *why); /* E_STATE when it exists; E_INPUT: no right to */
int fs_sync_dir(const char *path, struct err *why);

/* Whole file `dir/name` from memory, durably; `mode` e.g. 0444 for an original. E_STATE when the name exists
 * already. */
int fs_put(const char *dir, const char *name, const void *bytes, size_t count, unsigned mode,
           struct err *why);

/* Whole file from memory that replaces what was there, for what can be made again: renamed into place, not
 * synced. */
int fs_replace(const char *dir, const char *name, const void *bytes, size_t count, struct err *why);

/* Byte copy (a reflink where the file system can, never a hard link), durably; E_STATE when `to` exists. */
int fs_copy(const char *from, const char *to, unsigned mode, struct err *why);

int fs_rename(const char *from, const char *to, struct err *why);

/* Whole file into memory (mem_free it), with a NUL behind the last byte. E_INPUT when it is larger than
 * `most`. */
int fs_read(const char *path, size_t most, uint8_t **bytes_out, size_t *count_out, struct err *why);

/* Bytes that an ordinary user may still write where `path` lies; -1: cannot tell. A write on a full disk
 * fails with E_FULL, and may be tried again when there is room. */
int64_t fs_room(const char *path);

bool fs_exists(const char *path);

/* dir + "/" + name into `out`; E_INPUT when it does not fit. */
int fs_join(char *out, size_t room, const char *dir, const char *name, struct err *why);

#endif
