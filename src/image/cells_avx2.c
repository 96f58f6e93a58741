/* cells_avx2.c - the two sums that take longest, with registers of 16 pixels: a column of blocks from top to
 * bottom, so that each row is loaded once, and the sums stay in their registers. */
#include "image/cells_avx2.h"

#ifdef CELLS_AVX2

#include <immintrin.h>

#define WIDE  __attribute__((target("avx2")))
#define BLOCK CELLS_BLOCK
#define PIECE 64 /* so many pixels across, CELLS_BAND rows of them, fit into the sums' 32 bits, */
/* and into a key, which has 5 bits for the place: l * 32 + row * 4 + block. The least key is the lowest
 * Laplacian, of those the first row, of those the first block. */
#define KEY_SHIFT 5
#define ROW_STEP  4

WIDE static inline __m256i bytes(const uint8_t *p)
{
    return _mm256_cvtepu8_epi16(_mm_loadu_si128((const __m128i *)(const void *)p));
}

WIDE static inline __m256i words(const uint16_t *p)
{
    return _mm256_loadu_si256((const __m256i *)(const void *)p);
}

WIDE static inline __m256i laplacian(__m256i left, __m256i right, __m256i above, __m256i below, __m256i here)
{
    const __m256i around = _mm256_add_epi16(_mm256_add_epi16(left, right), _mm256_add_epi16(above, below));
    return _mm256_sub_epi16(around, _mm256_slli_epi16(here, 2));
}

/* All ones in the first `count` of the block's pixels. */
WIDE static inline __m256i first(int32_t count)
{
    const __m256i at = _mm256_setr_epi16(0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15);
    return _mm256_cmpgt_epi16(_mm256_set1_epi16((int16_t)count), at);
}

/* Pairs of products, added. */
WIDE static inline __m256i with(__m256i sum, __m256i a, __m256i b)
{
    return _mm256_add_epi32(sum, _mm256_madd_epi16(a, b));
}

WIDE static inline int64_t total(__m256i sums)
{
    int32_t each[8];
    int64_t all = 0;
    _mm256_storeu_si256((__m256i *)(void *)each, sums);
    for (int i = 0; i < 8; i++)
        all += each[i];
    return all;
}

/* The least of eight keys, and which of them: the first if there are several. */
WIDE static inline int least_key(__m128i keys, int *lane)
{
    const __m128i unsigned_keys = _mm_xor_si128(keys, _mm_set1_epi16(INT16_MIN));
    const __m128i found = _mm_minpos_epu16(unsigned_keys);
    *lane = _mm_extract_epi16(found, 1);
    return _mm_extract_epi16(found, 0) + INT16_MIN;
}

WIDE static void note_lowest(__m256i keys, int32_t x, int32_t y, struct gathered *cell)
{
    int lane, other_lane;
    int key = least_key(_mm256_castsi256_si128(keys), &lane);
    const int other = least_key(_mm256_extracti128_si256(keys, 1), &other_lane);
    if (other < key) {
        key = other;
        lane = other_lane + BLOCK / 2;
    }
    const int low = key >> KEY_SHIFT, row = (key >> 2) & (CELLS_BAND - 1), block = key & (ROW_STEP - 1);
    if (low > cell->lowest || (low == cell->lowest && y + row >= cell->lowest_y)) return;
    cell->lowest = (int16_t)low;
    cell->lowest_x = x + block * BLOCK + lane;
    cell->lowest_y = y + row;
}

WIDE static void add_full_piece(const uint8_t *const rows[], int32_t high, int32_t x, int32_t wide, int32_t y,
                                struct gathered *cell)
{
    const __m256i none = _mm256_setzero_si256(), one = _mm256_set1_epi16(1),
                  next_row = _mm256_set1_epi16(ROW_STEP);
    __m256i all_sum = none, all_light = none, square = none, low = none;
    for (int32_t i = 0; i < wide; i += BLOCK) {
        const __m256i inside = first(wide - i);
        __m256i above = bytes(rows[0] + x + i), here = bytes(rows[1] + x + i);
        __m256i sum = none, light = none, place = _mm256_set1_epi16((int16_t)(i / BLOCK));
        for (int32_t k = 1; k <= high; k++) {
            const uint8_t *p = rows[k] + x + i;
            const __m256i below = bytes(rows[k + 1] + x + i);
            const __m256i l =
                _mm256_and_si256(laplacian(bytes(p - 1), bytes(p + 1), above, below, here), inside);
            sum = _mm256_add_epi16(sum, l);
            light = _mm256_add_epi16(light, here);
            square = with(square, l, l);
            low = _mm256_min_epi16(low, _mm256_add_epi16(_mm256_slli_epi16(l, KEY_SHIFT), place));
            place = _mm256_add_epi16(place, next_row);
            above = here;
            here = below;
        }
        all_sum = with(all_sum, sum, one);
        all_light = with(all_light, _mm256_and_si256(light, inside), one);
    }
    cell->laplacian[0].sum += total(all_sum);
    cell->laplacian[0].square += (uint64_t)total(square);
    cell->luma += (uint64_t)total(all_light);
    note_lowest(low, x, y, cell);
}

WIDE static void add_half_piece(const uint16_t *const rows[], int32_t high, int32_t x, int32_t wide,
                                struct gathered *cell)
{
    const __m256i none = _mm256_setzero_si256(), one = _mm256_set1_epi16(1);
    __m256i all_sum = none, square = none, xx = none, xy = none, yy = none;
    for (int32_t i = 0; i < wide; i += BLOCK) {
        const __m256i inside = first(wide - i);
        __m256i above = words(rows[0] + x + i), here = words(rows[1] + x + i), sum = none;
        for (int32_t k = 1; k <= high; k++) {
            const uint16_t *p = rows[k] + x + i;
            const __m256i left = words(p - 1), right = words(p + 1), below = words(rows[k + 1] + x + i);
            const __m256i l = _mm256_and_si256(laplacian(left, right, above, below, here), inside);
            const __m256i gx = _mm256_and_si256(_mm256_sub_epi16(right, left), inside);
            const __m256i gy = _mm256_and_si256(_mm256_sub_epi16(below, above), inside);
            sum = _mm256_add_epi16(sum, l);
            square = with(square, l, l);
            xx = with(xx, gx, gx);
            xy = with(xy, gx, gy);
            yy = with(yy, gy, gy);
            above = here;
            here = below;
        }
        all_sum = with(all_sum, sum, one);
    }
    cell->laplacian[1].sum += total(all_sum);
    cell->laplacian[1].square += (uint64_t)total(square);
    cell->gradient.xx += total(xx);
    cell->gradient.xy += total(xy);
    cell->gradient.yy += total(yy);
}

static inline int32_t piece_at(const struct cells_line *line, int32_t col, int32_t x)
{
    const int32_t left = line->bound[col + 1] - x;
    return left < PIECE ? left : PIECE;
}

WIDE void cells_sum_full_avx2(const uint8_t *const rows[], int32_t count, struct cells_line line)
{
    for (int32_t c = 0; c < line.cols; c++)
        for (int32_t x = line.bound[c]; x < line.bound[c + 1]; x += PIECE)
            add_full_piece(rows, count, x, piece_at(&line, c, x), line.y, &line.cells[c]);
}

WIDE void cells_sum_half_avx2(const uint16_t *const rows[], int32_t count, struct cells_line line)
{
    for (int32_t c = 0; c < line.cols; c++)
        for (int32_t x = line.bound[c]; x < line.bound[c + 1]; x += PIECE)
            add_half_piece(rows, count, x, piece_at(&line, c, x), &line.cells[c]);
}

#endif
