/* measure.h - what is kept of a frame's pixels: enough to judge the whole stack without decoding it again.
 *
 * The frame is covered by square cells, at most MEASURE_CELLS_MOST across the longer side; a last row or
 * column narrower than half a cell is left out. Luma is 8 bit (Rec. 601 weights of the decoded values),
 * whatever the file. */
#ifndef STADDLE_MEASURE_H
#define STADDLE_MEASURE_H

#include <stdint.h>

#define MEASURE_CELLS_MOST 96
#define MEASURE_SCALES     4 /* full, 1/2, 1/4, 1/8 size */
#define MEASURE_DIRECTIONS 8 /* of the band-passed gradient, 22.5 degrees apart, 0 = along x */
#define MEASURE_THUMB_MOST 320

struct measure_cell {
    float laplacian_sum[MEASURE_SCALES]; /* 4-neighbour Laplacian, in code values of that scale's picture */
    float laplacian_square[MEASURE_SCALES]; /* sum of squares */
    uint32_t count[MEASURE_SCALES];         /* pixels summed */
    float direction[MEASURE_DIRECTIONS];    /* energy at half size, summed */
    float mean;                             /* luma */
    float clipped;                          /* share of pixels with any channel at its end, 0..1 */
    /* The pixel that is brightest against the mean of its four neighbours: by how many code values (0: none
     * is), and where in the picture. */
    float outlier;
    int32_t outlier_x_px, outlier_y_px;
};

enum shift_trust { SHIFT_NONE, SHIFT_WEAK, SHIFT_AMBIGUOUS, SHIFT_GOOD };

/* Where this frame's picture lies relative to the frame before it in capture order: a point at p (from the
 * centre of the frame, px) in the earlier frame appears at scale * p + (dx, dy) in this one. */
struct frame_shift {
    enum shift_trust trust;
    float dx_px, dy_px, scale;
    float confidence; /* 0..1 */
};

struct frame_measure {
    int32_t width_px, height_px; /* as stored */
    int32_t orientation;         /* that the file tells (TIFF 6.0 tag 274, 1..8; 0: none), and nothing here
                                    is turned by */
    int32_t cell_px, rows, cols;
    struct measure_cell *cells; /* rows x cols, row by row; owned */
    float mean;                 /* luma of the whole frame */
    float mean_linear; /* mean of luma taken back to linear light by the sRGB curve, 0..1: for stops */
    float clipped_high, clipped_low; /* share of pixels */
    float noise; /* robust sigma of the full-size Laplacian in the flattest cells, code values */
    struct frame_shift shift;
    int32_t thumb_w, thumb_h;
    uint8_t *thumb; /* gray, for registration again and contact sheets; owned */
};

/* Of many large frames only the heads are held: their cells and thumbnails are NULL, and are brought one
 * frame at a time. A source without `bring` has all of them held. */
struct err;
struct measure_source {
    /* The frame's measure as a whole; the caller's, frame_measure_clear. */
    int (*bring)(void *arg, int32_t frame, struct frame_measure *out, struct err *why);
    void *arg;
};

#endif
