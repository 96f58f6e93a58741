/* frame.h - a picture file from a stranger through the whole intake: kind, facts, luma, colour. */
#ifndef TESTS_FUZZ_FRAME_H
#define TESTS_FUZZ_FRAME_H

#include "image/decode.h"
#include "tests/fuzz/fuzz.h"

/* Pictures of more pixels than that are only told apart and asked for their facts: time is better spent. */
#define FRAME_PIXELS_MOST (1 << 19)

/* Takes a copy, so that reading beyond the bytes is seen. */
void frame_take(const uint8_t *data, size_t count);
/* Only kind and facts. */
void frame_take_facts(const uint8_t *data, size_t count);

#endif
