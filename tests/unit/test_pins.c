/* The pin table for people and the one for the compiler are the same. */
#include "tests/support/test.h"

#define PINS_MOST 32

struct pin {
    char name[20], port;
    int bit;
};

static int from_header(struct pin *out)
{
    char line[300], name[40], port;
    int n = 0, bit;
    FILE *f = fopen("firmware/avr/board.h", "r");
    assert_non_null(f);
    while (fgets(line, sizeof line, f)) {
        if (sscanf(line, "#define %39[A-Z]_PORT PORT%c", name, &port) == 2) {
            assert_true(n < PINS_MOST);
            snprintf(out[n].name, sizeof out[n].name, "%.19s", name);
            out[n].port = port;
            out[n++].bit = -1;
        } else if (n && sscanf(line, "#define %39[A-Z]_BIT %d", name, &bit) == 2) {
            assert_string_equal(name, out[n - 1].name);
            out[n - 1].bit = bit;
        }
    }
    fclose(f);
    return n;
}

/* Board marks: PB0 to PB5 are D8 to D13, PC0 to PC5 A0 to A5, PD0 to PD7 D0 to D7 (common practice, no
 * source). */
static void mark_of(const struct pin *p, char *mark, size_t room)
{
    if (p->port == 'C')
        snprintf(mark, room, "A%d", p->bit);
    else
        snprintf(mark, room, "D%d", p->port == 'B' ? 8 + p->bit : p->bit);
}

static void the_pin_table_is_that_of_the_firmware(void **state)
{
    (void)state;
    struct pin pins[PINS_MOST];
    char line[600], name[20], port, mark[8], written[8];
    int n = from_header(pins), row = 0, bit;
    FILE *f = fopen("hw-docs/pins.md", "r");
    assert_non_null(f);
    while (fgets(line, sizeof line, f)) {
        if (sscanf(line, "| %19[A-Z] | P%c%d | %7[AD0-9] |", name, &port, &bit, written) != 4) continue;
        assert_true(row < n);
        assert_string_equal(name, pins[row].name);
        assert_int_equal(port, pins[row].port);
        assert_int_equal(bit, pins[row].bit);
        mark_of(&pins[row], mark, sizeof mark);
        assert_string_equal(written, mark);
        row++;
    }
    fclose(f);
    assert_int_equal(row, n);
    assert_int_equal(n, 12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(the_pin_table_is_that_of_the_firmware)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
