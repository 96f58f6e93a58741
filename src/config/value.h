/* value.h - one written value becomes one field of a record: type, unit, range, finite. */
#ifndef STADDLE_CONFIG_VALUE_H
#define STADDLE_CONFIG_VALUE_H

#include "config/reader.h"

#define VALUE_SHOWN 44

struct place {
    const char *file;
    int32_t line;
};

struct wanted {
    char text[160]; /* "a number from 0.5 to 128" */
};

struct wanted value_wanted(const struct key_row *);

/* `plain`: written without quotes. Writes the field at `field` by the row's kind. */
int value_set(const struct key_row *, const char *text, bool plain, struct place, void *field,
              struct err *why);

/* A decimal number without sign or exponent at the start of `text`, in any locale; where it ends, NULL when
 * there is none. */
const char *value_real(const char *text, double *out);

/* What was written, cut and without control characters, fit for a message. */
void value_show(const char *text, char out[VALUE_SHOWN]);

#endif
