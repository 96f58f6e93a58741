/* source.h - a picture as scene: JPEG or PNG in colour, or a PNG of 8 or 16 bit that holds numbers. */
#ifndef STADDLE_SIM_SOURCE_H
#define STADDLE_SIM_SOURCE_H

#include <stdint.h>

#include "base/err.h"

struct source {
    int32_t width, height;
    int32_t channels;  /* 3: red, green, blue; 1: numbers */
    uint16_t *samples; /* 8-bit files: 0..255; owned */
    int32_t most;      /* 255 or 65535 */
};

/* E_INPUT with one sentence when the file is missing, none of these, cut off, or too large. */
int source_read_colour(struct source *, const char *path, struct err *);
int source_read_numbers(struct source *, const char *path, struct err *);
void source_clear(struct source *);

#endif
