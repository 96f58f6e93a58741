/* handover.h - the frames that whoever merges needs, in a folder of their own: untouched, in order,
 * checkable.
 *
 *  1. Contiguous: from the first useful frame to the last, with a margin on either side; an inner frame is
 * never dropped. (Only a person's own choice about a file goes before that.)
 *  2. Byte-identical copies, never links: what an editor writes into a copy leaves the original alone. Each
 * copy is read again and its SHA-256 compared with the one taken when the frame was shot.
 *  3. Whole or not there: built as DIR.part, then renamed.
 *
 *    DIR/2026-11-25-clock-stack-001_s0012.jpg ...   DIR/record.csv   DIR/record.json   DIR/README.txt
 *    DIR/reference/ruler.jpg ...   what was shot beside the stack (store/reference.h); not there without
 *    DIR/manifest.sha256   every other file, as sha256sum -c reads it */
#ifndef STADDLE_HANDOVER_H
#define STADDLE_HANDOVER_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "store/store.h"

#define HANDOVER_MANIFEST "manifest.sha256"

struct handover_request {
    const char *to;
    bool all;                          /* every frame; else: */
    int32_t useful_first, useful_last; /* indices in capture order, both included */
    int32_t margin;                    /* frames more at either end, as far as there are any */
};

struct handover_result {
    int32_t frames, files, left_out; /* left_out: frames */
    int32_t references;              /* files among them that are outside the order */
    int32_t first, last;             /* indices in capture order */
    int32_t first_slice, last_slice; /* nearest and farthest; in an unknown order as shot */
    int64_t bytes;
    char prefix[256]; /* what the names begin with */
};

/* E_INPUT: no frame, an empty range, DIR exists and is not empty, no place for it. E_DAMAGED: a frame is not
 * as it was shot. */
int handover_make(struct store *, const struct handover_request *, struct handover_result *out,
                  struct err *why);

/* Could a hand-over be made there? E_INPUT when not. */
int handover_check_place(const char *dir, struct err *why);

enum handover_fault { HANDOVER_MISSING, HANDOVER_CHANGED, HANDOVER_EXTRA };

struct handover_difference {
    enum handover_fault fault;
    char name[320];
};

struct handover_check {
    int32_t files;                    /* in the manifest */
    struct handover_difference *rows; /* owned: handover_check_clear */
    int32_t count, room;
};

/* Reads every file again. E_INPUT when DIR is no hand-over. Differences are a result, not an error. */
int handover_verify(const char *dir, struct handover_check *out, struct err *why);
void handover_check_clear(struct handover_check *);

#endif
