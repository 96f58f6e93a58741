/* The sums over a band of rows, for any machine and for this one, against sums pixel by pixel as they are
 * defined in include/staddle/measure.h. */
#include "tests/support/test.h"

#include "image/cells_avx2.h"

#define WIDTH 700
#define HIGH  (3 * CELLS_BAND)
#define COLS  6

static uint32_t random_state;

static int32_t random_below(int32_t limit)
{
    random_state = random_state * 1664525u + 1013904223u;
    return (int32_t)((random_state >> 8) % (uint32_t)limit);
}

/* Rows of pixels, as bytes and as words, with one row above and one below, and room beyond them. */
struct field {
    uint8_t bytes[HIGH + 2][WIDTH + 2 * CELLS_BLOCK];
    uint16_t words[HIGH + 2][WIDTH + 2 * CELLS_BLOCK];
    int32_t bound[COLS + 1];
};

/* Few values make many pixels alike, of which the first one counts. */
static void fill(struct field *f, int32_t values)
{
    for (int32_t y = 0; y < HIGH + 2; y++)
        for (int32_t x = 0; x < WIDTH + 2 * CELLS_BLOCK; x++) {
            const int32_t v = random_below(values);
            f->bytes[y][x] = (uint8_t)(v * 255 / (values - 1));
            f->words[y][x] = (uint16_t)(4 * f->bytes[y][x]);
        }
    f->bound[0] = 1 + random_below(20);
    for (int c = 0; c < COLS; c++)
        f->bound[c + 1] = f->bound[c] + random_below(c % 2 ? 40 : 190);
}

static void slow_full(const struct field *f, struct gathered *cells)
{
    for (int c = 0; c < COLS; c++)
        for (int32_t y = 1; y <= HIGH; y++)
            for (int32_t x = f->bound[c]; x < f->bound[c + 1]; x++) {
                const int32_t here = f->bytes[y][x], l = f->bytes[y][x - 1] + f->bytes[y][x + 1] +
                                                         f->bytes[y - 1][x] + f->bytes[y + 1][x] - 4 * here;
                cells[c].laplacian[0].sum += l;
                cells[c].laplacian[0].square += (uint64_t)(l * l);
                cells[c].luma += (uint64_t)here;
                if (l >= cells[c].lowest) continue;
                cells[c].lowest = (int16_t)l;
                cells[c].lowest_x = x;
                cells[c].lowest_y = y;
            }
}

static void slow_half(const struct field *f, struct gathered *cells)
{
    for (int c = 0; c < COLS; c++)
        for (int32_t y = 1; y <= HIGH; y++)
            for (int32_t x = f->bound[c]; x < f->bound[c + 1]; x++) {
                const int32_t gx = f->words[y][x + 1] - f->words[y][x - 1],
                              gy = f->words[y + 1][x] - f->words[y - 1][x],
                              l = f->words[y][x - 1] + f->words[y][x + 1] + f->words[y - 1][x] +
                                  f->words[y + 1][x] - 4 * f->words[y][x];
                cells[c].laplacian[1].sum += l;
                cells[c].laplacian[1].square += (uint64_t)(l * l);
                cells[c].gradient.xx += gx * gx;
                cells[c].gradient.xy += gx * gy;
                cells[c].gradient.yy += gy * gy;
            }
}

typedef void full_fn(const uint8_t *const rows[], int32_t count, struct cells_line);
typedef void half_fn(const uint16_t *const rows[], int32_t count, struct cells_line);

/* In bands of any height that is allowed. */
static void in_bands(const struct field *f, full_fn *full, half_fn *half, struct gathered *cells)
{
    int32_t count;
    for (int32_t y = 1; y <= HIGH; y += count) {
        count = 1 + random_below(CELLS_BAND);
        if (y + count > HIGH + 1) count = HIGH + 1 - y;
        const uint8_t *bytes[CELLS_BAND + 2];
        const uint16_t *words[CELLS_BAND + 2];
        for (int32_t i = 0; i < count + 2; i++) {
            bytes[i] = f->bytes[y - 1 + i];
            words[i] = f->words[y - 1 + i];
        }
        const struct cells_line line = {f->bound, COLS, y, cells};
        full(bytes, count, line);
        half(words, count, line);
    }
}

static void hold_to_the_slow_version(full_fn *full, half_fn *half)
{
    static const int32_t values[] = {2, 3, 5, 17, 256};
    struct field *f = malloc(sizeof *f);
    for (uint32_t seed = 0; seed < 200; seed++) {
        struct gathered slow[COLS], ours[COLS];
        memset(slow, 0, sizeof slow);
        memset(ours, 0, sizeof ours);
        random_state = seed;
        fill(f, values[seed % 5]);
        slow_full(f, slow);
        slow_half(f, slow);
        in_bands(f, full, half, ours);
        assert_memory_equal(slow, ours, sizeof slow);
    }
    free(f);
}

static void bands_for_any_machine_equal_the_slow_version(void **state)
{
    (void)state;
    hold_to_the_slow_version(cells_sum_full_plain, cells_sum_half_plain);
}

static void bands_of_wide_registers_equal_the_slow_version(void **state)
{
    (void)state;
#ifdef CELLS_AVX2
    if (__builtin_cpu_supports("avx2")) {
        hold_to_the_slow_version(cells_sum_full_avx2, cells_sum_half_avx2);
        return;
    }
#endif
    skip();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bands_for_any_machine_equal_the_slow_version),
        cmocka_unit_test(bands_of_wide_registers_equal_the_slow_version),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
