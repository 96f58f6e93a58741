/* Sharpness cells against an obvious slow version and against published worked numbers. */
#include "tests/support/test.h"

#include "image/cells.h"
#include "tests/support/registered.h"
#include "image/measure_io.h"

static uint32_t random_state;

static uint32_t random_32(void)
{
    random_state = random_state * 1664525u + 1013904223u;
    return random_state >> 8;
}

static struct image make_image(int32_t width, int32_t height)
{
    const size_t n = (size_t)width * (size_t)height;
    struct image io = {width, height, calloc(n, 1), calloc(n, 1), n};
    return io;
}

static struct image noise_image(int32_t width, int32_t height, uint32_t seed)
{
    struct image io = make_image(width, height);
    random_state = seed;
    for (size_t i = 0; i < io.room; i++) {
        io.luma[i] = (uint8_t)(random_32() % 256);
        io.ends[i] = io.luma[i] == 255 ? IMAGE_END_HIGH : io.luma[i] == 0 ? IMAGE_END_LOW : 0;
    }
    return io;
}

static struct frame_measure measure(const struct image *io)
{
    struct err why;
    struct cells_space *space = cells_space_new(&why);
    struct frame_measure m;
    assert_int_equal(cells_measure(space, "test", io, &m, &why), E_OK);
    cells_space_free(space);
    return m;
}

/* The slow version: the picture at a scale as doubles, every sum for every cell by looking at every pixel. */
static double *reduced(const struct image *io, int scale, int32_t *w, int32_t *h)
{
    *w = io->width_px >> scale;
    *h = io->height_px >> scale;
    double *out = calloc((size_t)*w * (size_t)*h, sizeof *out);
    for (int32_t y = 0; y < *h; y++)
        for (int32_t x = 0; x < *w; x++) {
            double sum = 0;
            for (int v = 0; v < 1 << scale; v++)
                for (int u = 0; u < 1 << scale; u++)
                    sum += io->luma[((y << scale) + v) * io->width_px + (x << scale) + u];
            out[y * *w + x] = sum / (1 << scale) / (1 << scale);
        }
    return out;
}

static int32_t cell_of(double centre, int32_t cell_px, int32_t cells)
{
    const int32_t c = (int32_t)floor(centre / cell_px);
    return c < cells ? c : -1;
}

static void slow_cells(const struct image *io, const struct frame_measure *m, int scale,
                       struct measure_cell *cells)
{
    int32_t w, h;
    double *p = reduced(io, scale, &w, &h);
    for (int32_t y = 1; y + 1 < h; y++)
        for (int32_t x = 1; x + 1 < w; x++) {
            const int32_t r = cell_of((y + 0.5) * (1 << scale), m->cell_px, m->rows);
            const int32_t c = cell_of((x + 0.5) * (1 << scale), m->cell_px, m->cols);
            if (r < 0 || c < 0) continue;
            struct measure_cell *cell = &cells[r * m->cols + c];
            const double *at = p + y * w + x;
            const double l = at[-1] + at[1] + at[-w] + at[w] - 4 * at[0];
            cell->laplacian_sum[scale] += (float)l;
            cell->laplacian_square[scale] += (float)(l * l);
            cell->count[scale]++;
            if (scale == 0 && -l / 4 > (double)cell->outlier) {
                cell->outlier = (float)(-l / 4);
                cell->outlier_x_px = x;
                cell->outlier_y_px = y;
            }
            if (scale != 1) continue;
            const double gx = (at[1] - at[-1]) / 2, gy = (at[w] - at[-w]) / 2;
            for (int k = 0; k < MEASURE_DIRECTIONS; k++) {
                const double angle = k * M_PI / 8, g = gx * cos(angle) + gy * sin(angle);
                cell->direction[k] += (float)(g * g);
            }
        }
    free(p);
}

static void check_close(float got, float want, double share)
{
    assert_near(got, want, share * fabs((double)want) + 0.02);
}

static void check_against_slow(const struct image *io)
{
    struct frame_measure m = measure(io);
    struct measure_cell *slow = calloc((size_t)(m.rows * m.cols), sizeof *slow);
    for (int s = 0; s < MEASURE_SCALES; s++)
        slow_cells(io, &m, s, slow);
    for (int32_t i = 0; i < m.rows * m.cols; i++) {
        for (int s = 0; s < MEASURE_SCALES; s++) {
            assert_int_equal(m.cells[i].count[s], slow[i].count[s]);
            check_close(m.cells[i].laplacian_sum[s], slow[i].laplacian_sum[s], 1e-4);
            check_close(m.cells[i].laplacian_square[s], slow[i].laplacian_square[s], 1e-4);
        }
        for (int k = 0; k < MEASURE_DIRECTIONS; k++)
            check_close(m.cells[i].direction[k], slow[i].direction[k], 1e-4);
        assert_true(m.cells[i].outlier == slow[i].outlier); /* of equal ones the first, row by row */
        assert_int_equal(m.cells[i].outlier_x_px, slow[i].outlier_x_px);
        assert_int_equal(m.cells[i].outlier_y_px, slow[i].outlier_y_px);
    }
    free(slow);
    frame_measure_clear(&m);
}

static void cells_equal_the_slow_version(void **state)
{
    (void)state;
    static const int32_t size[][2] = {{16, 16},   {97, 53},   {480, 320}, {641, 555},
                                      {333, 500}, {1800, 40}, {31, 700}};
    for (size_t i = 0; i < sizeof size / sizeof *size; i++) {
        struct image io = noise_image(size[i][0], size[i][1], (uint32_t)i + 1);
        check_against_slow(&io);
        image_clear(&io);
    }
}

/* The strongest Laplacians that there are fill the 32-bit sums of a column; cells of 300 pixels. */
static void the_largest_values_do_not_overflow(void **state)
{
    (void)state;
    for (int block = 1; block <= 8; block *= 2) {
        struct image io = make_image(96 * 150, 400);
        for (int32_t y = 0; y < io.height_px; y++)
            for (int32_t x = 0; x < io.width_px; x++)
                io.luma[y * io.width_px + x] = (x / block + y / block) % 2 ? 255 : 0;
        check_against_slow(&io);
        image_clear(&io);
    }
}

/* A 5 x 5 picture with integer results: Laplacians -24 44 -48 25 -89 30 -37 47 -33, population variance
 * 2014.024691 (own arithmetic; variance of the Laplacian after Pertuz, Puig, Garcia, Pattern Recognition
 * 46:1415, 2013). The picture is set into a constant so large that the cell holds it and what its border adds
 * is known. */
static void a_worked_example_gives_its_numbers(void **state)
{
    (void)state;
    static const uint8_t patch[5][5] = {{10, 12, 14, 16, 18},
                                        {11, 20, 15, 30, 19},
                                        {12, 18, 40, 22, 20},
                                        {13, 25, 16, 28, 21},
                                        {14, 16, 18, 20, 22}};
    static const int inner[9] = {-24, 44, -48, 25, -89, 30, -37, 47, -33};
    double sum = 0, square = 0;
    for (int i = 0; i < 9; i++) {
        sum += inner[i];
        square += inner[i] * inner[i];
    }
    assert_near(sum / 9, -9.444444, 1e-6);
    assert_near(square / 9 - sum / 9 * (sum / 9), 2014.024691, 1e-6);
    /* 40 x 40 pixels make cells of 4; the patch's nine inner pixels lie in the cells (4..6) of rows and
     * columns 17..19 */
    struct image io = make_image(40, 40);
    memset(io.luma, 100, io.room);
    for (int y = 0; y < 5; y++)
        memcpy(io.luma + (15 + y) * 40 + 15, patch[y], 5);
    struct frame_measure m = measure(&io);
    assert_int_equal(m.cell_px, 4);
    /* Cell (4,4) holds pixels 16..19 in both directions, nine of which (16..18) are the inner ones; the other
     * seven are the patch's right column and bottom row beside the constant. */
    double expected = sum, expected_square = square;
    for (int k = 0; k < 7; k++) {
        const int y = k < 3 ? 1 + k : 4, x = k < 3 ? 4 : k - 3 + 1;
        int around = 0;
        static const int step[4][2] = {{1, 0}, {-1, 0}, {0, 1}, {0, -1}};
        for (int i = 0; i < 4; i++) {
            const int u = x + step[i][0], v = y + step[i][1];
            around += u < 0 || v < 0 || u > 4 || v > 4 ? 100 : patch[v][u];
        }
        const int l = around - 4 * patch[y][x];
        expected += l;
        expected_square += l * l;
    }
    const struct measure_cell *cell = &m.cells[4 * m.cols + 4];
    assert_int_equal(cell->count[0], 16);
    assert_near((double)cell->laplacian_sum[0], expected, 1e-3);
    assert_near((double)cell->laplacian_square[0], expected_square, 1e-3);
    frame_measure_clear(&m);
    image_clear(&io);
}

/* A grating along 22.5 degrees has its gradient there and none across. */
static void the_direction_of_a_grating_is_found(void **state)
{
    (void)state;
    for (int k = 0; k < MEASURE_DIRECTIONS; k++) {
        struct image io = make_image(480, 320);
        const double angle = k * M_PI / 8;
        for (int32_t y = 0; y < 320; y++)
            for (int32_t x = 0; x < 480; x++) {
                const double along = x * cos(angle) + y * sin(angle);
                io.luma[y * 480 + x] = (uint8_t)lround(128 + 100 * sin(2 * M_PI * along / 12));
            }
        struct frame_measure m = measure(&io);
        double sum[MEASURE_DIRECTIONS] = {0};
        for (int32_t i = 0; i < m.rows * m.cols; i++)
            for (int d = 0; d < MEASURE_DIRECTIONS; d++)
                sum[d] += (double)m.cells[i].direction[d];
        assert_true(sum[(k + 4) % 8] < 0.01 * sum[k]);
        for (int d = 0; d < MEASURE_DIRECTIONS; d++)
            assert_true(d == k || sum[d] < sum[k]);
        frame_measure_clear(&m);
        image_clear(&io);
    }
}

static void means_clipping_and_noise_are_those_of_the_picture(void **state)
{
    (void)state;
    struct image io = make_image(960, 640);
    random_state = 5;
    double mean = 0;
    int high = 0;
    for (int32_t i = 0; i < 960 * 640; i++) {
        /* sum of 12 uniform numbers: near to Gaussian with sigma 1; sigma 3 here, on a slope */
        double g = -6;
        for (int k = 0; k < 12; k++)
            g += random_32() / 16777216.0;
        const int v = (int)lround(60 + 0.1 * (i % 960) + 3 * g);
        io.luma[i] = (uint8_t)(v > 255 ? 255 : v);
        if (i / 960 < 64) {
            io.luma[i] = 255;
            io.ends[i] = IMAGE_END_HIGH;
            high++;
        }
        mean += io.luma[i];
    }
    struct frame_measure m = measure(&io);
    assert_near((double)m.mean, mean / io.width_px / io.height_px, 1e-3);
    assert_near((double)m.clipped_high, (double)high / 960 / 640, 1e-6);
    assert_near((double)m.clipped_low, 0, 0);
    assert_near((double)m.cells[0].clipped, 1, 0);
    assert_near((double)m.cells[m.cols * (m.rows - 1)].clipped, 0, 0);
    /* The Laplacian of white noise of sigma s has sigma s sqrt(20) (1+1+1+1+16). */
    printf("measured: noise of the Laplacian %.2f where sigma 3 gives %.2f\n", (double)m.noise, 3 * sqrt(20));
    assert_true(fabs((double)m.noise / (3 * sqrt(20)) - 1) < 0.2);
    frame_measure_clear(&m);
    image_clear(&io);
}

/* IEC 61966-2-1: code value 188 is 0.5029 of full light (from memory: 0.735357 -> 0.5). */
static void linear_mean_follows_the_srgb_curve(void **state)
{
    (void)state;
    struct image io = make_image(64, 64);
    memset(io.luma, 188, io.room);
    struct frame_measure m = measure(&io);
    assert_near((double)m.mean_linear, 0.5029, 2e-4);
    assert_near((double)m.noise, 0, 0);
    frame_measure_clear(&m);
    image_clear(&io);
}

static void the_thumbnail_shows_the_picture(void **state)
{
    (void)state;
    struct image io = make_image(1800, 1200);
    for (int32_t y = 0; y < 1200; y++)
        for (int32_t x = 0; x < 1800; x++)
            io.luma[y * 1800 + x] = (uint8_t)(x * 256 / 1800);
    struct frame_measure m = measure(&io);
    assert_int_equal(m.thumb_w, 320);
    assert_int_equal(m.thumb_h, 213);
    for (int32_t i = 0; i < m.thumb_w * m.thumb_h; i++)
        assert_true(abs(m.thumb[i] - (int)((i % 320 + 0.5) * 256 / 320 - 0.5)) <= 2);
    frame_measure_clear(&m);
    image_clear(&io);
}

static void one_space_gives_the_same_for_frames_of_any_order(void **state)
{
    (void)state;
    struct err why;
    struct image a = noise_image(640, 480, 1), b = noise_image(480, 640, 2);
    struct cells_space *space = cells_space_new(&why);
    const struct image *const order[] = {&a, &b, &a, &a, &b};
    for (size_t i = 0; i < 5; i++) {
        struct frame_measure got, fresh = measure(order[i]);
        uint8_t *bytes[2];
        size_t count[2];
        assert_int_equal(cells_measure(space, "test", order[i], &got, &why), E_OK);
        assert_int_equal(measure_to_bytes(&got, &bytes[0], &count[0], &why), E_OK);
        assert_int_equal(measure_to_bytes(&fresh, &bytes[1], &count[1], &why), E_OK);
        assert_int_equal(count[0], count[1]);
        assert_memory_equal(bytes[0], bytes[1], count[0]);
        free(bytes[0]);
        free(bytes[1]);
        frame_measure_clear(&got);
        frame_measure_clear(&fresh);
    }
    cells_space_free(space);
    image_clear(&a);
    image_clear(&b);
}

static void the_picture_to_register_is_what_the_plain_way_gives(void **state)
{
    (void)state;
    static const struct {
        int32_t width, height;
        int scale;
    } set[] = {{64, 40, 1},   {65, 41, 1},   {203, 99, 2}, {200, 96, 2},
               {333, 231, 3}, {328, 232, 3}, {335, 239, 3}};
    for (size_t i = 0; i < sizeof set / sizeof *set; i++) {
        const int32_t w = set[i].width, h = set[i].height, n = (w >> set[i].scale) * (h >> set[i].scale);
        struct err why;
        struct frame_measure m;
        struct image p = make_image(w, h);
        struct cells_space *space = cells_space_new(&why);
        assert_int_equal(cells_begin(space, "test", w, h, set[i].scale, &why), E_OK);
        for (int32_t y = 0; y < h; y++)
            cells_row(space, p.luma + y * w, NULL, true);
        assert_int_equal(cells_end(space, &m, &why), E_OK);
        const uint16_t *got = cells_view(space);
        uint16_t *wanted = softly_halved(p.luma, w, h, set[i].scale);
        for (int32_t k = 0; k < n; k++)
            assert_near((double)got[k], wanted[k], 1); /* a half may be rounded up or down */
        free(wanted);
        frame_measure_clear(&m);
        cells_space_free(space);
        image_clear(&p);
    }
}

/* Rows that nobody looked at have no say in how much is clipped. */
static void shares_of_clipped_pixels_are_those_of_the_rows_looked_at(void **state)
{
    (void)state;
    struct err why;
    uint8_t luma[960], ends[960];
    struct frame_measure m;
    struct cells_space *space = cells_space_new(&why);
    memset(luma, 100, sizeof luma);
    memset(ends, 0, sizeof ends);
    memset(ends, IMAGE_END_HIGH, 240);
    assert_int_equal(cells_begin(space, "test", 960, 640, MEASURE_SCALES, &why), E_OK);
    for (int y = 0; y < 640; y++) {
        const bool looked = y / 5 % 3 == 0; /* 5 rows of each 15; cells of 10 */
        cells_row(space, luma, looked ? ends : NULL, looked);
    }
    assert_int_equal(cells_end(space, &m, &why), E_OK);
    assert_near((double)m.clipped_high, 0.25, 1e-6);
    for (int32_t i = 0; i < m.rows * m.cols; i++)
        assert_near((double)m.cells[i].clipped, i % m.cols < 24 && i / m.cols % 3 != 2 ? 1 : 0, 1e-6);
    frame_measure_clear(&m);
    cells_space_free(space);
}

static void a_picture_of_a_few_pixels_is_refused(void **state)
{
    (void)state;
    struct err why;
    struct image io = make_image(15, 300);
    struct cells_space *space = cells_space_new(&why);
    struct frame_measure m;
    assert_int_equal(cells_measure(space, "tiny.png", &io, &m, &why), E_INPUT);
    assert_non_null(strstr(why.text, "tiny.png"));
    cells_space_free(space);
    image_clear(&io);
}

/* CRC-32 bit by bit; the catalogue's check value for "123456789" is CBF43926. */
static uint32_t slow_crc32(const uint8_t *bytes, size_t count)
{
    uint32_t crc = 0xFFFFFFFF;
    for (size_t i = 0; i < 8 * count; i++) {
        crc ^= (uint32_t)bytes[i / 8] >> i % 8 & 1u;
        crc = crc & 1 ? crc >> 1 ^ 0xEDB88320 : crc >> 1;
    }
    return ~crc;
}

static void the_bytes_end_with_their_checksum(void **state)
{
    (void)state;
    struct err why;
    struct image io = noise_image(64, 48, 4);
    struct frame_measure m = measure(&io);
    uint8_t *bytes;
    size_t count;
    assert_int_equal(slow_crc32((const uint8_t *)"123456789", 9), 0xCBF43926);
    assert_int_equal(measure_to_bytes(&m, &bytes, &count, &why), E_OK);
    const uint8_t *end = bytes + count - 4;
    assert_int_equal(end[0] | (uint32_t)end[1] << 8 | (uint32_t)end[2] << 16 | (uint32_t)end[3] << 24,
                     slow_crc32(bytes, count - 4));
    free(bytes);
    frame_measure_clear(&m);
    image_clear(&io);
}

static void put32(uint8_t *at, uint32_t v)
{
    for (int i = 0; i < 4; i++)
        at[i] = (uint8_t)(v >> (8 * i));
}

/* What an older program measured lacks numbers: the frame is measured again. */
static void measures_of_an_older_version_are_refused(void **state)
{
    (void)state;
    struct err why;
    struct image io = noise_image(64, 48, 4);
    struct frame_measure m = measure(&io), back;
    uint8_t *bytes;
    size_t count;
    assert_int_equal(measure_to_bytes(&m, &bytes, &count, &why), E_OK);
    assert_int_equal(bytes[8], 3);
    for (uint8_t older = 1; older < 3; older++) {
        bytes[8] = older;
        put32(bytes + count - 4, slow_crc32(bytes, count - 4));
        assert_int_equal(measure_from_bytes("a.cells", bytes, count, &back, &why), E_DAMAGED);
        assert_non_null(strstr(why.text, "another version"));
    }
    bytes[8] = 3;
    put32(bytes + count - 4, slow_crc32(bytes, count - 4));
    assert_int_equal(measure_from_bytes("a.cells", bytes, count, &back, &why), E_OK);
    frame_measure_clear(&back);
    free(bytes);
    frame_measure_clear(&m);
    image_clear(&io);
}

static void measures_survive_their_bytes(void **state)
{
    (void)state;
    struct err why;
    struct image io = noise_image(641, 555, 9);
    struct frame_measure m = measure(&io), back;
    m.shift = (struct frame_shift){SHIFT_WEAK, 0.25f, -3.5f, 1.001f, 0.4f};
    m.orientation = 6;
    uint8_t *bytes, *again;
    size_t count, again_count;
    assert_int_equal(measure_to_bytes(&m, &bytes, &count, &why), E_OK);
    assert_int_equal(measure_from_bytes("a.cells", bytes, count, &back, &why), E_OK);
    assert_int_equal(measure_to_bytes(&back, &again, &again_count, &why), E_OK);
    assert_int_equal(count, again_count);
    assert_memory_equal(bytes, again, count);
    assert_memory_equal(m.cells, back.cells, (size_t)(m.rows * m.cols) * sizeof *m.cells);
    assert_memory_equal(&m.shift, &back.shift, sizeof m.shift);
    assert_int_equal(back.orientation, 6);
    frame_measure_clear(&back);
    for (size_t i = 0; i < count; i += i < 200 ? 1 : 997) {
        bytes[i] ^= 0x10;
        assert_int_equal(measure_from_bytes("a.cells", bytes, count, &back, &why), E_DAMAGED);
        bytes[i] ^= 0x10;
        assert_int_equal(measure_from_bytes("a.cells", bytes, i, &back, &why), E_DAMAGED);
    }
    assert_non_null(strstr(why.text, "a.cells"));
    free(bytes);
    free(again);
    frame_measure_clear(&m);
    image_clear(&io);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(cells_equal_the_slow_version),
        cmocka_unit_test(the_largest_values_do_not_overflow),
        cmocka_unit_test(a_worked_example_gives_its_numbers),
        cmocka_unit_test(the_direction_of_a_grating_is_found),
        cmocka_unit_test(means_clipping_and_noise_are_those_of_the_picture),
        cmocka_unit_test(linear_mean_follows_the_srgb_curve),
        cmocka_unit_test(the_thumbnail_shows_the_picture),
        cmocka_unit_test(one_space_gives_the_same_for_frames_of_any_order),
        cmocka_unit_test(the_picture_to_register_is_what_the_plain_way_gives),
        cmocka_unit_test(shares_of_clipped_pixels_are_those_of_the_rows_looked_at),
        cmocka_unit_test(a_picture_of_a_few_pixels_is_refused),
        cmocka_unit_test(the_bytes_end_with_their_checksum),
        cmocka_unit_test(measures_of_an_older_version_are_refused),
        cmocka_unit_test(measures_survive_their_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
