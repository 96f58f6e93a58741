/* cmd_camera_ready.h - `staddle camera ready`: is it set as a stack needs it? */
#ifndef STADDLE_CMD_CAMERA_READY_H
#define STADDLE_CMD_CAMERA_READY_H

#include <jansson.h>
#include <stdio.h>

#include "cmd.h"
#include "run/camera_session.h"

/* The findings go into `out`; "ready" is false where one of them is grave. */
int cmd_camera_ready(struct cmd *, struct camera_session *, json_t *out, struct err *);
void cmd_camera_text_ready(FILE *, const json_t *);

#endif
