/* A million moves over a cable on which one byte in a thousand is damaged, and fewer over a worse one. */
#include "tests/support/test.h"

#include "tests/support/bad_cable.h"

static void a_million_commands_move_nothing_wrong(void **state)
{
    (void)state;
    bad_cable_commands(1000000, (struct rig_damage){1000, 2026});
}

/* Here repeats do not always suffice, and the line is resynchronised. */
static void a_worse_cable_moves_nothing_wrong(void **state)
{
    (void)state;
    bad_cable_commands(100000, (struct rig_damage){150, 2027});
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_million_commands_move_nothing_wrong),
        cmocka_unit_test(a_worse_cable_moves_nothing_wrong),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
