/* cells_part.h - what a worker gathers of a picture; used only by cells.c and cells_end.c. */
#ifndef STADDLE_IMAGE_CELLS_PART_H
#define STADDLE_IMAGE_CELLS_PART_H

#include "image/cells.h"
#include "image/cells_sums.h"

/* One size of the picture: its last few rows, or all of them where somebody needs them later. Row y lies at
 * y % kept. */
struct level {
    int32_t width, height, kept, next; /* next: the first row that is not in the sums yet */
    void *plane;                       /* full size: bytes; smaller: uint16_t, sums of 4^s pixels */
    /* cols + 1: first pixel of each column of cells, and one past the last; only those that have a Laplacian
     */
    int32_t *bound;
};

/* How many rows of pixels a row of cells has. */
struct row_counts {
    int32_t laplacian[MEASURE_SCALES];
    int32_t all, looked; /* looked: it is known which pixels are clipped */
};

struct cells_space {
    struct level level[MEASURE_SCALES];
    struct gathered *cells;
    struct row_counts counts[MEASURE_CELLS_MOST + 1];
    double *order; /* for medians */
    int32_t width, height, cell_px, rows, cols, y;
    int view_scale;                                   /* of the soft picture; MEASURE_SCALES: none */
    uint16_t *soft, *column;                          /* that picture; a row on its way to it */
    int whole_from;                                   /* levels from here on keep all their rows */
    int32_t room_width, room_height, room_view_scale; /* what the buffers were made for */
    uint64_t high, low;
    uint32_t histogram[4][256];
};

int cells_thumb_scale(int32_t width_px, int32_t height_px);

/* cells_end.c: from the sums to the measure. */
void cells_finish(struct cells_space *, struct frame_measure *);

#endif
