/* measured.h - what was measured of a frame, kept in derived/NAME.cells. Its shift is against one other
 * frame, so the file says of which bytes it was measured and against which: after a retake or a filled gap it
 * is not mistaken. */
#ifndef STADDLE_STORE_MEASURED_H
#define STADDLE_STORE_MEASURED_H

#include "staddle/measure.h"
#include "store/store.h"

/* `previous` is the file that the shift is against; NULL for the first frame. */
int measured_put(struct store *, const struct file_row *file, const struct file_row *previous,
                 const struct frame_measure *, struct err *why);

/* The same from bytes that measure_to_bytes made, for a thread that should not spend time on it. */
int measured_put_bytes(struct store *, const struct file_row *file, const struct file_row *previous,
                       const uint8_t *bytes, size_t count, struct err *why);

/* E_INPUT when nothing fitting is there: measure the frame then. frame_measure_clear it otherwise. */
int measured_get(struct store *, const struct file_row *file, const struct file_row *previous,
                 struct frame_measure *out, struct err *why);

#endif
