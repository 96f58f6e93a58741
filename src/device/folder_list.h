/* folder_list.h - the files of a watched folder, and what is known of each: ordinary files on the first level
 * that are not hidden; links are not followed. */
#ifndef STADDLE_DEVICE_FOLDER_LIST_H
#define STADDLE_DEVICE_FOLDER_LIST_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

#include "base/err.h"
#include "device/folder_watch.h"

enum folder_use {
    FILE_PAST,  /* there before, or left alone for whatever reason */
    FILE_NEW,   /* came or changed, and nothing was made of it yet */
    FILE_TAKEN, /* belongs to `token` */
};
enum folder_whole { WHOLE_UNKNOWN, WHOLE_ASKED, WHOLE_YES, WHOLE_NO };

struct folder_file {
    char name[256];
    ino_t inode;
    int64_t bytes, written_ns; /* with the inode: has it changed? */
    int64_t came_us;           /* when it was first seen, scheduler time; anew when it came again */
    int64_t changed_us;        /* when that was seen to change, scheduler time */
    bool open;                 /* somebody is writing to it */
    bool closed;               /* seen to be closed, or to come whole, since it changed */
    enum folder_use use;
    enum folder_whole whole;
    uint64_t token; /* TAKEN */
    struct err bad; /* NO */
    bool again;     /* the name was there before, with something else in it */
    bool told;      /* a remark was made about it */
};

struct folder_list {
    struct folder_file *files; /* by name */
    int32_t count, room;
};

/* Looks; what is new or has changed since the last look becomes FILE_NEW. E_IO: the folder cannot be read. */
int folder_list_look(struct folder_list *, const struct folder_watch *, int64_t now_us, struct err *);
void folder_list_clear(struct folder_list *);

struct folder_file *folder_list_find(struct folder_list *, const char *name); /* NULL: not there */

/* The same name but for the ending, whatever the case. */
bool folder_same_stem(const char *a, const char *b);

#endif
