/* cmd_axis_calibrate.h - `staddle axis calibrate`. */
#ifndef STADDLE_CMD_AXIS_CALIBRATE_H
#define STADDLE_CMD_AXIS_CALIBRATE_H

#include "cmd.h"
#include "run/axis_session.h"

/* Moves, takes pictures, writes the file of what was measured, and adds to `out` what it is. */
int cmd_axis_calibrate(struct cmd *, struct axis_session *, json_t *out, struct err *);
bool cmd_axis_calibrate_grave(const json_t *result); /* steps were lost */
/* Nothing, of another action's result. */
void cmd_axis_calibrate_text(FILE *, const json_t *result);

#endif
