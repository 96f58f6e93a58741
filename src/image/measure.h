/* measure.h - a frame's file in memory becomes its frame_measure: decode, cells, registration. The one call
 * of the run loop's worker and of the verbs.
 *
 * A worker owns one measure_space and uses it for every frame. What the next frame needs of this one for its
 * shift is a register_view (register.h), which is made here and handed on; frames may therefore be measured
 * out of order and their shifts computed afterwards with register_shift. */
#ifndef STADDLE_IMAGE_MEASURE_H
#define STADDLE_IMAGE_MEASURE_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "image/decode.h"
#include "image/register.h"
#include "staddle/measure.h"

struct measure_space;
struct measure_space *measure_space_new(struct err *why);
void measure_space_free(struct measure_space *); /* NULL is fine */

/* For register_shift on this worker. */
struct register_space *measure_space_register(struct measure_space *);

/* `previous` NULL: no shift (SHIFT_NONE, scale 1). `view_out` and `facts` may be NULL; *view_out is the
 * caller's (register_view_free). Clear `out` with frame_measure_clear. */
int measure_frame(struct measure_space *, const char *name, const uint8_t *bytes, size_t count,
                  const struct register_view *previous, struct frame_measure *out,
                  struct register_view **view_out, struct image_facts *facts, struct err *why);

#endif
