/* naming.h - what an exposure and its files are called, in a run and in a resume alike. */
#ifndef STADDLE_RUN_NAMING_H
#define STADDLE_RUN_NAMING_H

#include <stdint.h>

#include "device/camera.h"
#include "image/decode.h"
#include "staddle/stack.h"

/* Tells one stack's exposures from another's: a camera may still hold those of the stack before. Of what the
 * stack was made with, so the same in a resume; 20 bits, above CAMERA_TOKEN_OWN_BITS. */
uint64_t stack_mark(const struct stack_info *);

/* The camera's name for an exposure: the same for the same attempt in every run. */
uint64_t exposure_token(uint64_t mark, const struct exposure_row *);

/* The ending of the file that this object becomes, without the dot. Returns `room` or a constant. */
const char *frame_ending(const struct camera_object *, char room[12]);

/* What the picture says of itself, into its row. */
void file_row_tell(struct file_row *, const struct image_facts *);

#endif
