/* cmd_camera.h - what the parts of `staddle camera` share: cmd_camera.c has the actions, cmd_camera_text.c
 * what is printed. */
#ifndef STADDLE_CMD_CAMERA_H
#define STADDLE_CMD_CAMERA_H

#include <jansson.h>
#include <stdio.h>

#include "device/told.h"

/* {model, battery, free_bytes, free_frames, clock_s, settings[], others{}} */
void cmd_camera_describe(json_t *out, const struct told *);

void cmd_camera_text(FILE *, const json_t *result);         /* show, set */
void cmd_camera_text_verbose(FILE *, const json_t *result); /* and whatever else it tells */
void cmd_camera_text_shot(FILE *, const json_t *result);

#endif
