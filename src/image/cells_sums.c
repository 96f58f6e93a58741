#include "image/cells_sums.h"

#include "image/cells_avx2.h"
#include "base/fast.h"

#define PIECE 128 /* pixels whose sums fit into 32 bits */

/* 1 for every pixel of the longest piece, then nothing: seen from further on, of a shorter one. */
static const int16_t inside[PIECE + CELLS_BLOCK] = {
#define ONES 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1
    ONES, ONES, ONES, ONES, ONES, ONES, ONES, ONES};

static inline int32_t least(int32_t a, int32_t b)
{
    return a < b ? a : b;
}

static inline int32_t whole_blocks(int32_t count)
{
    return (count + CELLS_BLOCK - 1) / CELLS_BLOCK * CELLS_BLOCK;
}

/* Of several pixels with that Laplacian the first, counted from the piece's beginning. */
static int32_t place_of_lowest(const uint8_t *a, const uint8_t *r, const uint8_t *b, const int16_t *in,
                               int32_t end, int16_t low)
{
    int16_t first = PIECE;
    for (int16_t i = 0; i < (int16_t)end; i++) {
        const int16_t twice = (int16_t)(r[i] + r[i]);
        const int16_t l = (int16_t)(r[i - 1] + r[i + 1] + a[i] + b[i] - twice - twice);
        const int16_t here = (int16_t)(l * in[i]) == low ? i : PIECE;
        first = here < first ? here : first;
    }
    return first;
}

/* A Laplacian is at most 1020 here, 128 squares of it at most 133 million. */
static void sum_full_row(const uint8_t *above, const uint8_t *row, const uint8_t *below,
                         struct cells_line line)
{
    for (int32_t c = 0; c < line.cols; c++)
        for (int32_t x = line.bound[c]; x < line.bound[c + 1]; x += PIECE) {
            const int32_t count = least(line.bound[c + 1] - x, PIECE), end = whole_blocks(count);
            const int16_t *in = inside + PIECE - count;
            const uint8_t *a = above + x, *r = row + x, *b = below + x;
            int32_t sum = 0, square = 0, light = 0;
            int16_t low = 0;
            for (int32_t i = 0; i < end; i++) {
                const int16_t m = r[i], twice = (int16_t)(m + m);
                const int16_t l = (int16_t)(r[i - 1] + r[i + 1] + a[i] + b[i] - twice - twice);
                const int16_t k = (int16_t)(l * in[i]);
                sum += l * in[i];
                square += l * k;
                light += m * in[i];
                low = k < low ? k : low;
            }
            if (low < line.cells[c].lowest) { /* happens a few times a cell */
                line.cells[c].lowest = low;
                line.cells[c].lowest_x = x + place_of_lowest(a, r, b, in, end, low);
                line.cells[c].lowest_y = line.y;
            }
            line.cells[c].laplacian[0].sum += sum;
            line.cells[c].laplacian[0].square += (uint64_t)square;
            line.cells[c].luma += (uint64_t)light;
        }
}

/* A Laplacian is at most 4080 here, 128 squares of it 2131 million; a difference at most 1020. */
static void sum_half_row(const uint16_t *above, const uint16_t *row, const uint16_t *below,
                         struct cells_line line)
{
    for (int32_t c = 0; c < line.cols; c++)
        for (int32_t x = line.bound[c]; x < line.bound[c + 1]; x += PIECE) {
            const int32_t count = least(line.bound[c + 1] - x, PIECE), end = whole_blocks(count);
            const int16_t *in = inside + PIECE - count;
            const uint16_t *a = above + x, *r = row + x, *b = below + x;
            int32_t sum = 0, square = 0, xx = 0, xy = 0, yy = 0;
            for (int32_t i = 0; i < end; i++) {
                const int16_t l = (int16_t)(r[i - 1] + r[i + 1] + a[i] + b[i] - 4 * r[i]);
                const int16_t gx = (int16_t)(r[i + 1] - r[i - 1]), gy = (int16_t)(b[i] - a[i]);
                const int16_t kl = (int16_t)(l * in[i]), kx = (int16_t)(gx * in[i]),
                              ky = (int16_t)(gy * in[i]);
                sum += l * in[i];
                square += l * kl;
                xx += gx * kx;
                xy += gy * kx;
                yy += gy * ky;
            }
            struct gathered *cell = &line.cells[c];
            cell->laplacian[1].sum += sum;
            cell->laplacian[1].square += (uint64_t)square;
            cell->gradient.xx += xx;
            cell->gradient.xy += xy;
            cell->gradient.yy += yy;
        }
}

void cells_sum_full_plain(const uint8_t *const rows[], int32_t count, struct cells_line line)
{
    for (int32_t k = 1; k <= count; k++, line.y++)
        sum_full_row(rows[k - 1], rows[k], rows[k + 1], line);
}

void cells_sum_half_plain(const uint16_t *const rows[], int32_t count, struct cells_line line)
{
    for (int32_t k = 1; k <= count; k++)
        sum_half_row(rows[k - 1], rows[k], rows[k + 1], line);
}

void cells_sum_full(const uint8_t *const rows[], int32_t count, struct cells_line line)
{
#ifdef CELLS_AVX2
    if (__builtin_cpu_supports("avx2")) {
        cells_sum_full_avx2(rows, count, line);
        return;
    }
#endif
    cells_sum_full_plain(rows, count, line);
}

void cells_sum_half(const uint16_t *const rows[], int32_t count, struct cells_line line)
{
#ifdef CELLS_AVX2
    if (__builtin_cpu_supports("avx2")) {
        cells_sum_half_avx2(rows, count, line);
        return;
    }
#endif
    cells_sum_half_plain(rows, count, line);
}

/* A Laplacian is at most 16320 here: sixteen squares just fit into 32 bits. */
FAST void cells_sum_quarter(const uint16_t *above, const uint16_t *row, const uint16_t *below,
                            struct cells_line line)
{
    for (int32_t c = 0; c < line.cols; c++)
        for (int32_t x = line.bound[c]; x < line.bound[c + 1]; x += CELLS_BLOCK) {
            const int32_t end = least(line.bound[c + 1], x + CELLS_BLOCK);
            int32_t sum = 0;
            uint32_t square = 0;
            for (int32_t i = x; i < end; i++) {
                const int16_t l = (int16_t)(row[i - 1] + row[i + 1] + above[i] + below[i] - 4 * row[i]);
                sum += l;
                square += (uint32_t)(l * l);
            }
            line.cells[c].laplacian[2].sum += sum;
            line.cells[c].laplacian[2].square += square;
        }
}

/* A Laplacian is at most 65280 here: its square just fits into 32 bits. */
FAST void cells_sum_eighth(const uint16_t *above, const uint16_t *row, const uint16_t *below,
                           struct cells_line line)
{
    for (int32_t c = 0; c < line.cols; c++) {
        int64_t sum = 0;
        uint64_t square = 0;
        for (int32_t i = line.bound[c]; i < line.bound[c + 1]; i++) {
            const int32_t l = row[i - 1] + row[i + 1] + above[i] + below[i] - 4 * row[i];
            sum += l;
            square += (uint32_t)l * (uint32_t)l;
        }
        line.cells[c].laplacian[3].sum += sum;
        line.cells[c].laplacian[3].square += square;
    }
}

FAST void cells_halve_bytes(const uint8_t *restrict a, const uint8_t *restrict b, uint16_t *restrict out,
                            int32_t width)
{
    for (int32_t x = 0; x < width; x++)
        out[x] = (uint16_t)(a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]);
}

FAST void cells_halve_sums(const uint16_t *restrict a, const uint16_t *restrict b, uint16_t *restrict out,
                           int32_t width)
{
    for (int32_t x = 0; x < width; x++)
        out[x] = (uint16_t)(a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]);
}

FAST void cells_soften_bytes(const uint8_t *const rows[4], int32_t from_width, uint16_t *restrict column,
                             uint16_t *restrict out, int32_t width)
{
    const uint8_t *restrict a = rows[0], *restrict b = rows[1], *restrict c = rows[2], *restrict d = rows[3];
    for (int32_t x = 0; x < from_width; x++)
        column[x + 1] = (uint16_t)(a[x] + d[x] + 3 * (b[x] + c[x]));
    column[0] = column[1];
    column[from_width + 1] = column[from_width];
    for (int32_t x = 0; x < width; x++) {
        const uint16_t *p = column + 2 * x;
        out[x] = (uint16_t)(4 * (p[0] + p[3] + 3 * (p[1] + p[2])));
    }
}

FAST void cells_soften_sums(const uint16_t *const rows[4], int32_t from_width, uint16_t *restrict column,
                            uint16_t *restrict out, int32_t width, int scale)
{
    const uint16_t *restrict a = rows[0], *restrict b = rows[1], *restrict c = rows[2], *restrict d = rows[3];
    const int32_t shift = scale == 3 ? 2 : 0, half = scale == 3 ? 2 : 0;
    for (int32_t x = 0; x < from_width; x++)
        column[x + 1] = (uint16_t)(a[x] + d[x] + 3 * (b[x] + c[x]));
    column[0] = column[1];
    column[from_width + 1] = column[from_width];
    for (int32_t x = 0; x < width; x++) {
        const uint16_t *p = column + 2 * x;
        out[x] = (uint16_t)((p[0] + p[3] + 3 * (p[1] + p[2]) + half) >> shift);
    }
}
