/* cmd_length.h - a length as a person types it: 3.4mm, 250um, -0.02mm, +2.5mm. */
#ifndef STADDLE_CMD_LENGTH_H
#define STADDLE_CMD_LENGTH_H

#include <stdint.h>

#include "base/err.h"

/* `what` is for the message, e.g. "go". The unit has to be there. */
int cmd_length(const char *what, const char *text, int64_t *nm_out, struct err *);

/* Begins like one: a digit, or a sign or point before one. */
int cmd_looks_like_length(const char *text);

#endif
