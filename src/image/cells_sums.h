/* cells_sums.h - the sums over one row of pixels, cell by cell; used only by cells*.c. Each reads up to
 * CELLS_BLOCK pixels beyond the row, which weigh nothing. */
#ifndef STADDLE_IMAGE_CELLS_SUMS_H
#define STADDLE_IMAGE_CELLS_SUMS_H

#include <stdint.h>

#include "staddle/measure.h"

#define CELLS_BLOCK 16
#define CELLS_BAND  8 /* rows */

struct laplacian_sums {
    int64_t sum;
    uint64_t square;
};
struct gradient_sums {
    int64_t xx, xy, yy;
};

struct gathered {
    struct laplacian_sums laplacian[MEASURE_SCALES];
    struct gradient_sums gradient;
    uint64_t luma;
    uint32_t clipped;
    int16_t lowest; /* Laplacian at full size: of the pixel that is brightest against its neighbours */
    int32_t lowest_x, lowest_y;
};

/* The pixels of a row that have a Laplacian, as they belong to the columns of cells: bound[c] .. bound[c +
 * 1]. */
struct cells_line {
    const int32_t *bound;
    int32_t cols, y;        /* y of the (first) row, in pixels of its scale */
    struct gathered *cells; /* the first of this row of cells */
};

/* `count` rows below each other, at most CELLS_BAND, all of one row of cells: rows[1] .. rows[count]; rows[0]
 * lies above them, rows[count + 1] below. Full size: also adds the pixels themselves. Sums of 4 pixels: also
 * their gradients. */
void cells_sum_full(const uint8_t *const rows[], int32_t count, struct cells_line);
void cells_sum_half(const uint16_t *const rows[], int32_t count, struct cells_line);
/* The same for any machine. */
void cells_sum_full_plain(const uint8_t *const rows[], int32_t count, struct cells_line);
void cells_sum_half_plain(const uint16_t *const rows[], int32_t count, struct cells_line);

/* One row. Sums of 16, and of 64 pixels. */
void cells_sum_quarter(const uint16_t *above, const uint16_t *row, const uint16_t *below, struct cells_line);
void cells_sum_eighth(const uint16_t *above, const uint16_t *row, const uint16_t *below, struct cells_line);

/* `width` sums of 2 x 2 from two rows twice as wide. */
void cells_halve_bytes(const uint8_t *a, const uint8_t *b, uint16_t *out, int32_t width);
void cells_halve_sums(const uint16_t *a, const uint16_t *b, uint16_t *out, int32_t width);

/* One row of a picture half as large, softly: weights 1 3 3 1 along both axes (a binomial), so that what is
 * too fine for it does not come back as something coarser. `rows`: one above the pair, the pair, one below;
 * `from_width` pixels wide. `out` has 1/64 of the unit of `rows`, times 4, times 1, or over 4 for scale 1, 2,
 * 3: 1/256 of a code value. `column`: room for from_width + 2. */
void cells_soften_bytes(const uint8_t *const rows[4], int32_t from_width, uint16_t *column, uint16_t *out,
                        int32_t width);
void cells_soften_sums(const uint16_t *const rows[4], int32_t from_width, uint16_t *column, uint16_t *out,
                       int32_t width, int scale);

#endif
