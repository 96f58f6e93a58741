/* The cache of measures: given back only for the very bytes, and the very neighbour, that it was measured of.
 */
#include "tests/support/test.h"

#include "base/fs.h"
#include "base/mem.h"
#include "image/measure_io.h"
#include "store/measured.h"

static struct store *new_stack(const char *name)
{
    char dir[1024];
    struct err why = {0};
    struct store *st = NULL;
    struct stack_info info = {.kind = STACK_IMPORTED, .name = "measures", .created_wall_us = 978379200000000};
    snprintf(dir, sizeof dir, "%s/%s", test_folder(), name);
    assert_int_equal(store_create(dir, &info, &st, &why), 0);
    return st;
}

static struct file_row file_of(const char *name, char fill)
{
    struct file_row f = {0};
    snprintf(f.name, sizeof f.name, "%s", name);
    memset(f.sha256, fill, 64);
    return f;
}

static struct frame_measure small_measure(void)
{
    struct frame_measure m = {
        .width_px = 64, .height_px = 32, .cell_px = 16, .rows = 2, .cols = 4, .mean = 12.5f};
    m.cells = calloc(8, sizeof *m.cells);
    m.thumb_w = 4, m.thumb_h = 2;
    m.thumb = calloc(8, 1);
    m.cells[5].mean = 3.25f;
    m.shift = (struct frame_shift){SHIFT_GOOD, 1.5f, -2, 1.01f, 0.9f};
    return m;
}

static void measures_come_back_for_their_own_bytes_only(void **state)
{
    (void)state;
    struct err why = {0};
    struct store *st = new_stack("own");
    const struct file_row a = file_of("s0001.jpg", 'a'), b = file_of("s0002.jpg", 'b'),
                          retake = file_of("s0002.jpg", 'c');
    struct frame_measure m = small_measure(), back = {0};
    assert_int_equal(measured_get(st, &b, &a, &back, &why), E_INPUT);
    assert_int_equal(measured_put(st, &b, &a, &m, &why), 0);
    assert_int_equal(measured_get(st, &b, &a, &back, &why), 0);
    assert_near((double)back.cells[5].mean, 3.25, 0);
    assert_near((double)back.shift.dx_px, 1.5, 0);
    frame_measure_clear(&back);
    assert_int_equal(measured_get(st, &retake, &a, &back, &why), E_INPUT); /* other bytes */
    assert_int_equal(measured_get(st, &b, NULL, &back, &why), E_INPUT);    /* another neighbour */
    assert_int_equal(measured_get(st, &b, &retake, &back, &why), E_INPUT);
    free(m.cells);
    free(m.thumb);
    store_close(st);
}

static void damaged_or_foreign_measures_are_measured_again(void **state)
{
    (void)state;
    struct err why = {0};
    struct store *st = new_stack("damaged");
    const struct file_row a = file_of("s0001.jpg", 'a');
    struct frame_measure m = small_measure(), back = {0};
    uint8_t *bytes;
    size_t count;
    assert_int_equal(measured_put(st, &a, NULL, &m, &why), 0);
    assert_int_equal(store_derived_get(st, "s0001.jpg.cells", &bytes, &count, &why), 0);
    for (size_t at = 0; at < count; at += 7) {
        bytes[at] ^= 0x40;
        assert_int_equal(store_derived_put(st, "s0001.jpg.cells", bytes, count, &why), 0);
        assert_int_equal(measured_get(st, &a, NULL, &back, &why), E_INPUT);
        bytes[at] ^= 0x40;
    }
    assert_int_equal(store_derived_put(st, "s0001.jpg.cells", bytes, 20, &why), 0);
    assert_int_equal(measured_get(st, &a, NULL, &back, &why), E_INPUT);
    mem_free(bytes);
    free(m.cells);
    free(m.thumb);
    store_close(st);
}

static void the_longest_name_has_its_measures_too(void **state)
{
    (void)state;
    struct err why = {0};
    struct store *st = new_stack("long");
    struct file_row f = file_of("x", 'd');
    memset(f.name, 'n', 255);
    struct frame_measure m = small_measure(), back = {0};
    assert_int_equal(measured_put(st, &f, NULL, &m, &why), 0);
    assert_int_equal(measured_get(st, &f, NULL, &back, &why), 0);
    frame_measure_clear(&back);
    free(m.cells);
    free(m.thumb);
    store_close(st);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(measures_come_back_for_their_own_bytes_only),
        cmocka_unit_test(damaged_or_foreign_measures_are_measured_again),
        cmocka_unit_test(the_longest_name_has_its_measures_too),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
