/* told.h - what a camera tells of itself when it is asked: every setting it has, under the camera library's
 * name and in the camera's own words, and what its card still holds. trade.h gives them the trade's names.
 * Start it zeroed; clear it once. */
#ifndef STADDLE_DEVICE_TOLD_H
#define STADDLE_DEVICE_TOLD_H

#include <jansson.h>
#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"
#include "staddle/bench.h"

#define TOLD_ROOM    64
#define TOLD_UNKNOWN (-1)

enum told_kind { TOLD_TEXT, TOLD_CHOICE, TOLD_RANGE, TOLD_SWITCH, TOLD_DATE };

typedef char told_word[TOLD_ROOM];

struct told_setting {
    told_word name;
    enum told_kind kind;
    bool fixed;     /* may be read only */
    told_word is;   /* switches "0" or "1", ranges a number, dates seconds of the wall clock */
    told_word *can; /* CHOICE: its words; owned */
    int32_t can_count;
    double least, most; /* RANGE */
};

struct told {
    char model[NAME_ROOM];
    int64_t free_bytes, free_frames; /* TOLD_UNKNOWN */
    int64_t asked_wall_us;           /* when it was asked, by the host's clock */
    struct told_setting *rows;
    int32_t count, room;
};

void told_clear(struct told *); /* NULL is fine */

/* NULL: it has none of that name. Names are compared without regard to case. */
const struct told_setting *told_find(const struct told *, const char *name);

/* Appends; `can` are the words of a choice, separated by '|', NULL for none. */
int told_add(struct told *, const char *name, enum told_kind, const char *is, const char *can, struct err *);

/* From {"model", "free_kb", "free_frames", "settings": [{"name", "kind", "fixed", "is", "can": [...],
 * "least", "most"}]}, as the camera program answers: unknown kinds are left out. */
int told_read(const json_t *, struct told *out, struct err *);

const char *told_kind_word(enum told_kind);

#endif
