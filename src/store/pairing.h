/* pairing.h - which frame of a card belongs to which exposure of a stack, by order and time alone.
 *
 * The camera's clock is off by an unknown time, may drift by some hundred parts in a million, and may show
 * whole seconds only. Every difference between a frame's time and an exposure's is a vote for an offset; the
 * offsets with the most votes within a tolerance are tried, each is fitted over all its pairs (median, then
 * drift) and matched again in order, frames and exposures being left out where that costs less. The one with
 * the most pairs wins; another one with as many that pairs otherwise makes it ambiguous, and nothing is
 * decided.
 *
 *   tolerance   half of what the clock resolves, and 150 ms (shutter lags differ by less; our choice) */
#ifndef STADDLE_STORE_PAIRING_H
#define STADDLE_STORE_PAIRING_H

#include <stdbool.h>
#include <stdint.h>

#include "base/err.h"

struct pairing_shot {
    int64_t at_us; /* in order of time */
    bool needed;   /* else it may have no frame */
    int32_t known; /* the frame that is its for sure, or -1 */
};

struct pairing {
    int32_t *frame_of; /* of each shot, -1: none; owned */
    int32_t paired;
    int64_t ahead_us; /* the camera's clock, of the bench's, at the first shot */
    double fast_ppm;
    int64_t resolution_us; /* of the frames' times */
    int32_t other_first;   /* ambiguous: what the other way gives the first needed shot; -1: none */
    int32_t doubt_shot, doubt_frame, doubt_other; /* ambiguous in one place; doubt_shot -1: not */
};

/* n shots and the times of m frames, in order. E_INPUT: less than half of the needed shots pair up, or
 * nothing does; E_STATE: ambiguous, and `out` holds what was found and the members above say why.
 * pairing_clear it in both other cases. */
int pairing_find(const struct pairing_shot *shots, int32_t n, const int64_t *frames_us, int32_t m,
                 struct pairing *out, struct err *why);
void pairing_clear(struct pairing *);

#endif
