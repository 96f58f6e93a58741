/* whole.h - is a picture file all there? Told by its structure, without decoding: fast enough for every file
 * of a stack. JPEG (ITU-T T.81 annex B): the marker segments of the first image lead to its EOI. PNG (RFC
 * 2083): the chunks lead to IEND. Other kinds are not judged here (E_OK): their decoders tell. */
#ifndef STADDLE_IMAGE_WHOLE_H
#define STADDLE_IMAGE_WHOLE_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"

/* E_INPUT when it is cut short; `name` is for the message. */
int image_check_whole(const char *name, const uint8_t *bytes, size_t count, struct err *why);

#endif
