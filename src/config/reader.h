/* reader.h - fills a record from YAML by a table of keys. The one place that knows libyaml.
 *
 * A file is a mapping; a key is either a value or a section, which is a mapping of values: "axis.lead_mm" is
 * the key lead_mm in the section axis. Nothing nests deeper. Numbers are plain decimals: no NaN, no infinity,
 * no quotes, no unit behind (it is in the key). Adding a key is adding a row. */
#ifndef STADDLE_CONFIG_READER_H
#define STADDLE_CONFIG_READER_H

#include <stdbool.h>
#include <stddef.h>

#include "base/err.h"
#include "staddle/bench.h"

enum value_kind {
    VALUE_MM,       /* int64_t nm */
    VALUE_UM,       /* int64_t nm */
    VALUE_S,        /* int64_t us */
    VALUE_MS,       /* int64_t us */
    VALUE_REAL,     /* double */
    VALUE_REAL_OFF, /* double; a written 0 means 'none' and is kept as -1, since 0 in the record means the
                       default */
    VALUE_INTEGER,  /* int32_t */
    VALUE_SEED,     /* uint64_t */
    VALUE_NAME,     /* char[NAME_ROOM] */
    VALUE_TEXT,     /* char[PATH_ROOM], as written */
    VALUE_PATH,     /* char[PATH_ROOM], made relative to the file's folder */
    VALUE_WORD,     /* int: which of `words` */
    VALUE_FLAG,     /* bool: which of `words`, the first is false; true and false when words is NULL */
    VALUE_REGION,   /* struct region_px, written X,Y,W,H */
};

struct key_row {
    const char *name;
    enum value_kind kind;
    bool required;
    size_t offset;
    double least, most; /* numbers, in the unit of the key */
    const char *words;  /* separated by one space */
};

struct schema {
    const char *what; /* "bench file" */
    const struct key_row *rows;
    size_t row_count;
};

/* `record` may be half filled on failure: the caller throws it away then. */
int reader_fill(const char *text, const char *name, const struct schema *, void *record, struct origins *,
                struct err *why);

/* The folder of `file`, then `path`; or `path` alone when it is absolute. */
int reader_resolve(const char *file, const char *path, char out[PATH_ROOM], struct err *why);

/* Whole file as text that ends with NUL: mem_free it. Refuses what is too large to be a hand-written file, or
 * binary. */
int reader_text(const char *path, char **text_out, struct err *why);

#endif
