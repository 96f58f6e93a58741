/* opencv_frame.h - the same work on a frame by a general-purpose library, for the race of `make speed`: gray
 * decode, Laplacian with its variance in tiles of 64 x 64 pixels, phase correlation at a quarter of the size
 * against the frame before. */
#ifndef TESTS_PEER_OPENCV_FRAME_H
#define TESTS_PEER_OPENCV_FRAME_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

struct peer; /* one worker's buffers, kept from frame to frame, in huge pages where the system gives them */
struct peer *peer_new(void);
void peer_free(struct peer *);

struct peer_result {
    double variance; /* mean over the tiles, so that nothing is optimised away */
    double dx_px, dy_px;
};

/* As a careful program does it: kept buffers, 16-bit arithmetic where it is exact, one thread. */
struct peer_result peer_frame(struct peer *, const uint8_t *jpeg, size_t count);

/* As it is commonly written in a script: fresh matrices, 64-bit floating point, the library's own threads. */
struct peer_result peer_frame_plain(const uint8_t *jpeg, size_t count, const uint8_t *before,
                                    size_t before_count);

/* The gray decode alone, into kept buffers. */
void peer_decode(struct peer *, const uint8_t *jpeg, size_t count);

/* How many threads the library may use by itself. */
void peer_threads(int);

#ifdef __cplusplus
}
#endif
#endif
