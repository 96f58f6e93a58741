/* registered.h - two photographs registered against each other, reduced in the plainest way. */
#ifndef TESTS_SUPPORT_REGISTERED_H
#define TESTS_SUPPORT_REGISTERED_H

#include "image/register.h"
#include "tests/support/photo.h"

/* The mean of squares of half the size, then weights 1 3 3 1 over pairs of those, 1/256 of a code value; in
 * the plainest way. free it. */
uint16_t *softly_halved(const uint8_t *luma, int32_t width, int32_t height, int scale);

/* Rounded to 8 bit and halved as a view wants it; register_view_free it. */
struct register_view *view_of_photo(struct register_space *, const struct photo *);
struct register_view *view_of_bytes(struct register_space *, const uint8_t *luma, int32_t width,
                                    int32_t height);

struct frame_shift photos_registered(struct register_space *, const struct photo *before,
                                     const struct photo *now);

#endif
