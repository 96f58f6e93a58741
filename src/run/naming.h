/* naming.h - what an exposure and its files are called, in a run and in a resume alike. */
#ifndef STADDLE_RUN_NAMING_H
#define STADDLE_RUN_NAMING_H

#include <stdint.h>

#include "device/camera.h"
#include "image/decode.h"
#include "staddle/stack.h"

/* The camera's name for an exposure: the same for the same attempt in every run. It seeds the simulated
 * camera's noise, too. */
uint64_t exposure_token(const struct exposure_row *);

/* The ending of the file that this object becomes, without the dot. Returns `room` or a constant. */
const char *frame_ending(const struct camera_object *, char room[12]);

/* What the picture says of itself, into its row. */
void file_row_tell(struct file_row *, const struct image_facts *);

#endif
