/* Every axis keeps the contract, in virtual time (over a pseudo-terminal, in real time:
 * tests/long/test_axis_pty.c). */
#include "tests/support/test.h"

#include "tests/support/axis_contract.h"
#include "tests/support/hand_rig.h"

static struct rig *open_rail(void)
{
    return rig_open(&(struct rig_opts){.native.seed = 3, .axis.port = "the simulated rail"});
}

/* --- what the wrappers say for an axis that can do little --- */

static int poor_move(struct axis *ax, int64_t target_counts, struct err *why)
{
    (void)ax;
    (void)target_counts;
    (void)why;
    return E_OK;
}

static void what_an_axis_cannot_do_is_said(void **state)
{
    (void)state;
    static const struct axis_ops POOR = {.name = "a knob", .move_to = poor_move};
    struct axis ax = {.ops = &POOR};
    struct err why;
    assert_int_equal(axis_move_to(&ax, 5, NULL), 0);
    assert_int_equal(axis_home(&ax, &why), E_UNSUPPORTED);
    assert_string_equal(why.text, "a knob cannot find its own zero");
    assert_int_equal(axis_limits(&ax, 0, 5, NULL), E_UNSUPPORTED);
    assert_int_equal(axis_jog(&ax, 5, NULL), E_UNSUPPORTED);
    assert_int_equal(axis_here(&ax, 5, NULL), E_UNSUPPORTED);
    assert_int_equal(axis_shape(&ax, NULL, 0, NULL), E_UNSUPPORTED);
    assert_int_equal(axis_move_shaped(&ax, 5, NULL), E_UNSUPPORTED);
    assert_int_equal(axis_hold(&ax, AXIS_HOLD_FULL, NULL), E_UNSUPPORTED);
    assert_int_equal(axis_drop(&ax, NULL), E_UNSUPPORTED);
    axis_close(NULL);
}

int main(void)
{
    static const struct axis_case AXES[] = {{"rail", open_rail, 1, 0}, {"hand", hand_rig_open, 1, 0}};
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_an_axis_cannot_do_is_said),
    };
    int failed = axis_contract(AXES, (int)(sizeof AXES / sizeof *AXES));
    return failed + cmocka_run_group_tests(tests, NULL, NULL);
}
