/* cmd_camera_shoot.h - `staddle camera shoot`: one frame to a file, or a reference frame into a stack. */
#ifndef STADDLE_CMD_CAMERA_SHOOT_H
#define STADDLE_CMD_CAMERA_SHOOT_H

#include <jansson.h>
#include <stdbool.h>

#include "cmd.h"
#include "run/camera_session.h"

/* The options, before anything is opened; `shoots`: it is this action. */
int cmd_camera_shoot_check(struct cmd *, bool shoots, struct err *);
int cmd_camera_shoot(struct cmd *, struct camera_session *, json_t *out, struct err *);

#endif
