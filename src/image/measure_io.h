/* measure_io.h - a frame_measure as bytes (derived/NAME.cells): versioned, little-endian, closed by a
 * checksum.
 *
 * All numbers are stored bit by bit, so reading gives back exactly what was measured, on any machine. */
#ifndef STADDLE_IMAGE_MEASURE_IO_H
#define STADDLE_IMAGE_MEASURE_IO_H

#include <stddef.h>
#include <stdint.h>

#include "base/err.h"
#include "staddle/measure.h"

/* *bytes_out is the caller's (mem_free). */
int measure_to_bytes(const struct frame_measure *, uint8_t **bytes_out, size_t *count_out, struct err *why);

/* E_DAMAGED for anything but whole bytes of this version: measure the frame again then. */
int measure_from_bytes(const char *name, const uint8_t *bytes, size_t count, struct frame_measure *out,
                       struct err *why);

void frame_measure_clear(struct frame_measure *); /* frees, zeroes; NULL is fine */

#endif
