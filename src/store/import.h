/* import.h - frames that were shot elsewhere become a stack folder.
 *
 *    import_scan --> struct import_list (what is there, paired and in order; nothing written)
 *    import_make --> the stack folder, whole or not at all
 *
 * What counts: ordinary files of the folder itself whose name ends as a picture's does. Such a file that is
 * no whole picture is an error; any other file, folder or link is left where it is and named in `skipped`. A
 * raw and its JPEG (or PNG, TIFF) with one stem are one frame. Order: by the capture time where every frame
 * tells one, else by name; numbers in names count as numbers. The originals are only read. */
#ifndef STADDLE_STORE_IMPORT_H
#define STADDLE_STORE_IMPORT_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "staddle/stack.h"

#define IMPORT_FILE_LARGEST ((size_t)1 << 30)

struct import_file {
    char name[256];
    struct file_row row; /* name: what it will be in frames/ */
};

struct import_entry {
    int32_t file_count;
    struct import_file files[2]; /* [0] is the one to measure */
};

struct import_skipped {
    char name[256];
    const char *why; /* "no picture by its name", "a folder", "a link" */
};

struct import_list {
    char folder[1024];
    struct import_entry *frames; /* in capture order; owned */
    int32_t count, room;
    bool by_time; /* else by name */
    int32_t width_px, height_px;
    struct import_skipped *skipped; /* by name; owned */
    int32_t skipped_count, skipped_room;
    bool quiet_given; /* a frame taken when all was still, kept beside the order (reference.h) */
    char quiet_folder[1024];
    struct import_file quiet;
};

/* E_INPUT: no folder, no picture in it, a picture that is none or is cut short, two sizes, too many. */
int import_scan(const char *folder, struct import_list *out, struct err *why);
/* Adds a quiet frame; where it lies in the scanned folder, it is no frame of the stack. E_INPUT: no whole
 * picture, or none of the frames' size. */
int import_quiet(struct import_list *, const char *path, struct err *why);
void import_list_clear(struct import_list *);

/* Copies and verifies. Slice 1 is the nearest frame (in unknown order: the first). E_INPUT when DIR exists.
 */
int import_make(const struct import_list *, const char *dir, const struct stack_info *, struct err *why);

/* Names in the order of people: "f9" before "f10". */
int import_compare_names(const char *a, const char *b);

#endif
