/* camera_ask.h - the questions to a tethered camera that are answered in one message (camera_gphoto.c talks,
 * camera_ask.c knows what is said). Only src/device includes it. */
#ifndef STADDLE_DEVICE_CAMERA_ASK_H
#define STADDLE_DEVICE_CAMERA_ASK_H

#include "device/camera.h"
#include "device/camera_wire.h"

/* Of camera_gphoto.c: sends the order (which it takes) and waits for its answer so long. */
int camera_gphoto_ask(struct camera *, json_t *order, int64_t most_us, struct camera_message *out,
                      struct err *);
int64_t camera_gphoto_wall_us(const struct camera *);

/* What a file is, by its content: a name from the camera's memory may have the wrong ending. */
enum file_role camera_ask_role(const uint8_t *bytes, size_t count);

int camera_ask_tell(struct camera *, struct told *out, struct err *);
int camera_ask_turn(struct camera *, const char *setting, const char *word, struct err *);

#endif
