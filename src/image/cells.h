/* cells.h - sharpness cells of one frame (staddle/measure.h), in one pass over the luma.
 *
 * The picture is halved three times by averaging 2x2 pixels without rounding (integers: the sum of 4, 16, 64
 * pixels). At each scale the Laplacian I(x-1)+I(x+1)+I(y-1)+I(y+1)-4 I(x,y) is taken wherever all five pixels
 * exist, and its sum and sum of squares go to the cell that holds the pixel's centre. At half size also the
 * sums of gx^2, gx gy, gy^2 of central differences, from which the energy of the derivative along each of the
 * eight directions follows. All sums are exact in integers, so the result does not depend on the order of the
 * work. */
#ifndef STADDLE_IMAGE_CELLS_H
#define STADDLE_IMAGE_CELLS_H

#include "base/err.h"
#include "image/decode.h"
#include "staddle/measure.h"

struct cells_space; /* buffers of one worker, used again for every frame; one thread at a time */
struct cells_space *cells_space_new(struct err *why);
void cells_space_free(struct cells_space *); /* NULL is fine */

/* Side of a cell: the longer side over MEASURE_CELLS_MOST, rounded up, at least 4 px. */
int32_t cells_side_px(int32_t width_px, int32_t height_px);

/* Rows or columns of cells over `side_px` pixels: a last one narrower than half a cell is left out. */
int32_t cells_along(int32_t side_px, int32_t cell_px);

/* Fills everything of `out` but the shift (trust SHIFT_NONE, scale 1); frame_measure_clear it later.
 * shape   luma and ends of `picture`, at least 16 x 16 px
 * units   code values; squares of them
 * errors  E_INPUT when the picture is too small; E_NOMEM
 * source  variance of the Laplacian: Pertuz, Puig, Garcia, Pattern Recognition 46:1415, 2013; structure
 * tensor by direction: Bigun and Granlund, 1987 (from memory). Checked by the slow version in tests/ */
int cells_measure(struct cells_space *, const char *name, const struct image *picture,
                  struct frame_measure *out, struct err *why);

/* The same row by row, from top to bottom, so that the picture need not be in memory: begin, every row, end.
 * view_scale   how often the picture is halved for cells_view; MEASURE_SCALES: not wanted
 * ends         NULL: no pixel of this row is clipped; looked false: nobody knows, and shares of clipped
 * pixels are those of the other rows */
int cells_begin(struct cells_space *, const char *name, int32_t width_px, int32_t height_px, int view_scale,
                struct err *why);
void cells_row(struct cells_space *, const uint8_t *luma, const uint8_t *ends, bool looked);
int cells_end(struct cells_space *, struct frame_measure *out, struct err *why);

/* The picture last measured, (width >> view_scale) x (height >> view_scale), halved the last time without
 * folding what is too fine into it (cells_sums.h): bytes at scale 0, else uint16_t, 1/256 of a code value.
 * NULL where it was not wanted. */
const void *cells_view(const struct cells_space *);

/* Variance of the Laplacian of a cell at a scale, code values squared; 0 when the cell holds no pixel there.
 */
double cell_variance(const struct measure_cell *, int scale);

/* Sharpness of a whole frame at a scale: mean of the cells' variances, code values squared. */
double frame_sharpness(const struct frame_measure *, int scale);

#endif
