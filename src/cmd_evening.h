/* cmd_evening.h - the evening's list: a stack that was shot is judged and gets its line in evening.txt. */
#ifndef STADDLE_CMD_EVENING_H
#define STADDLE_CMD_EVENING_H

#include <jansson.h>

#include "base/err.h"

/* For a stack in an evening's folder: {file, verdict, light_stops}. */
int cmd_evening_note(const char *stack_dir, json_t **out, struct err *);

/* Is there a list beside the stack already? */
int cmd_evening_has_list(const char *stack_dir);

#endif
