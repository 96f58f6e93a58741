/* cmd_axis_keys.h - `staddle axis keys`: the parameters that a rail's controller keeps by itself. */
#ifndef STADDLE_CMD_AXIS_KEYS_H
#define STADDLE_CMD_AXIS_KEYS_H

#include <jansson.h>
#include <stdio.h>

#include "run/axis_session.h"

/* "speed=8000". E_INPUT when there is no such parameter, or no number. */
struct axis_key_wish {
    int key;
    int32_t value;
};
int axis_keys_parse(const char *text, struct axis_key_wish *out, struct err *);

/* Sets what is wished (NULL: nothing), saves if asked, and reads them all into `out`. */
int axis_keys_run(struct axis_session *, const struct axis_key_wish *, bool save, json_t *out, struct err *);
void axis_keys_text(FILE *out, const json_t *result);

#endif
