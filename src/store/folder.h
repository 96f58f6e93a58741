/* folder.h - names and folders on the disk: what a name may be, and a folder that is built whole or not at
 * all.
 *
 *    folder_begin --> DIR.part (filled by the caller) --> folder_finish: renamed to DIR
 *                                                     \-> folder_drop: gone again
 *
 * Only what folder_begin made in this process is ever removed. */
#ifndef STADDLE_STORE_FOLDER_H
#define STADDLE_STORE_FOLDER_H

#include <stdbool.h>
#include <stddef.h>

#include "base/err.h"

/* One level: not empty, no '/', no leading dot, no control byte, at most 255 bytes. */
bool folder_name_ok(const char *name);

/* The last part of a path, without trailing slashes; "stack" where there is none ("/", ".."). */
void folder_base_name(const char *path, char *out, size_t room);

/* A new folder beside DIR: DIR.part, or DIR.part2 and so on where an interrupted run left one. E_INPUT when
 * DIR exists and is not an empty folder, or when its parent does not exist. */
int folder_begin(const char *dir, char *part, size_t room, struct err *why);

/* E_INPUT unless DIR could be made: its parent exists, and DIR does not, or is an empty folder. */
int folder_check_free(const char *dir, struct err *why);

/* Renames and syncs. On failure DIR is as it was before, and so is the part. */
int folder_finish(const char *part, const char *dir, struct err *why);

/* Removes a part: its files, and one level of folders in it. */
void folder_drop(const char *part);

/* Is it a folder itself, not a link to one? */
bool folder_is_dir(const char *path);

/* An ordinary file, not a link to one? */
bool folder_is_file(const char *path);

#endif
