/* The include-order check finds an arrow that points the wrong way, and lets the allowed ones be. */
#include "tests/support/test.h"

static int check_tree_with(const char *path, const char *include_line)
{
    char command[1024];
    snprintf(command, sizeof command,
             "rm -rf %s/tree; mkdir -p %s/tree/$(dirname %s) && echo '#include \"%s\"' >%s/tree/%s && "
             "sh tests/tools/include-order.sh %s/tree >/dev/null",
             test_folder(), test_folder(), path, include_line, test_folder(), path, test_folder());
    return system(command);
}

static void arrows_to_the_left_pass(void **state)
{
    (void)state;
    static const char *const allowed[][2] = {
        {"src/check/a.c", "image/cells.h"},
        {"src/run/a.c", "device/axis.h"},
        {"src/sim/a.c", "base/err.h"},
        {"src/sim/a.c", "staddle/bench.h"},
        {"firmware/core/a.c", "staddle/wire.h"},
        {"firmware/core/a.c", "firmware/core/core.h"},
        {"src/device/a.c", "firmware/core/core.h"},
        {"firmware/native/a.c", "sim/world.h"},
        {"firmware/avr/a.c", "firmware/core/core.h"},
        {"src/cmd_x.c", "report/page.h"},
        {"src/cmd_x.c", "cmd.h"},
        {"src/camera/a.c", "device/camera_wire.h"},
    };
    for (size_t i = 0; i < sizeof allowed / sizeof *allowed; i++)
        assert_int_equal(check_tree_with(allowed[i][0], allowed[i][1]), 0);
}

static void arrows_to_the_right_are_found(void **state)
{
    (void)state;
    static const char *const wrong[][2] = {
        {"src/plan/a.c", "store/store.h"},
        {"src/image/a.c", "plan/plan.h"},
        {"src/check/a.c", "store/store.h"},
        {"src/sim/a.c", "optics/dof.h"},
        {"src/web/a.c", "device/axis.h"},
        {"firmware/core/a.c", "staddle/bench.h"},
        {"firmware/native/a.c", "device/axis.h"},
        {"firmware/avr/a.c", "firmware/core/parts.h"},
        {"firmware/avr/a.c", "base/err.h"},
        {"src/device/a.c", "firmware/core/ramp.h"},
        {"src/base/a.c", "cmd.h"},
        {"src/camera/a.c", "device/camera.h"},
        {"src/device/a.c", "camera/body.h"},
        {"include/staddle/a.h", "base/err.h"},
    };
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++)
        assert_int_not_equal(check_tree_with(wrong[i][0], wrong[i][1]), 0);
}

static void this_tree_keeps_the_order(void **state)
{
    (void)state;
    assert_int_equal(system("sh tests/tools/include-order.sh"), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(arrows_to_the_left_pass),
        cmocka_unit_test(arrows_to_the_right_are_found),
        cmocka_unit_test(this_tree_keeps_the_order),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
