/* The parameters that a controller keeps by itself: a board that was never set up is brought to life with the
 * program alone, and hw-docs/wire.md names the same parameters. The truth is the controller after a power
 * cut. */
#include "tests/support/test.h"

#include <jansson.h>

#include "firmware/core/core.h"
#include "tests/support/program.h"
#include "tests/support/rail_rig.h"

static struct axis_key_state ask(struct rig *g, enum axis_key_do what, int key, int32_t value)
{
    struct err why = {0};
    if (axis_key(g->axis, what, key, value, &why)) fail_msg("%s", why.text);
    assert_int_equal(axis_key(g->axis, AXIS_KEY_READ, 0, 0, NULL), E_STATE); /* one at a time */
    for (int i = 0; i < 100 && axis_key_look(g->axis).waiting; i++)
        rig_run_us(g, 10000);
    assert_false(axis_key_look(g->axis).waiting);
    return axis_key_look(g->axis);
}

static void a_board_that_was_never_set_up_comes_to_life(void **state)
{
    (void)state;
    struct rig *g = rig_open(&(struct rig_opts){.native.blank_storage = true});
    assert_true(rig_until(g, AXIS_ALARM, 1000000));
    assert_int_equal(axis_clear(g->axis, NULL), 0);
    rig_run_us(g, 1000000);
    assert_int_not_equal(rig_state(g).phase, AXIS_REST); /* not before its parameters are saved */
    assert_int_equal(ask(g, AXIS_KEY_READ, WIRE_KEY_CREEP, 0).value, 800);
    assert_int_equal(ask(g, AXIS_KEY_SET, WIRE_KEY_CREEP, 700).why.code, 0);
    assert_int_equal(ask(g, AXIS_KEY_SET, WIRE_KEY_CREEP, 9).why.code, E_INPUT); /* out of range */
    assert_int_equal(ask(g, AXIS_KEY_READ, WIRE_KEY_CREEP, 0).value, 700);
    assert_int_equal(ask(g, AXIS_KEY_SAVE, 0, 0).why.code, 0);
    assert_int_equal(g->pulses, 0);
    assert_int_equal(axis_clear(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 1000000));
    assert_int_equal(axis_home(g->axis, NULL), 0);
    assert_int_equal(axis_key(g->axis, AXIS_KEY_READ, 0, 0, NULL), E_STATE); /* not while it moves */
    assert_true(rig_until(g, AXIS_REST, 60000000));
    /* Power gone and back. */
    assert_int_equal(ask(g, AXIS_KEY_SET, WIRE_KEY_SPAN, 123456).why.code, 0); /* and not saved */
    native_rail_reset(g->controller);
    rig_run_us(g, 3000000);
    assert_int_equal(native_rail_core(g->controller)->keys[WIRE_KEY_CREEP], 700);
    assert_int_equal(native_rail_core(g->controller)->keys[WIRE_KEY_SPAN], 800000);
    assert_true(native_rail_core(g->controller)->settings_good);
    rig_close(g);
}

static void a_restart_ends_the_waiting(void **state)
{
    (void)state;
    struct rig *g = rig_open(&(struct rig_opts){0});
    assert_true(rig_until(g, AXIS_REST, 1000000));
    g->lose_requests = true;
    assert_int_equal(axis_key(g->axis, AXIS_KEY_SAVE, 0, 0, NULL), 0);
    rig_run_us(g, 1000);
    native_rail_reset(g->controller);
    g->lose_requests = false;
    rig_run_us(g, 3000000);
    assert_false(axis_key_look(g->axis).waiting);
    assert_int_equal(axis_key_look(g->axis).why.code, E_STATE);
    rig_close(g);
}

/* Section 6 of hw-docs/wire.md: "| 0 | speed | steps/s | ...". */
static void the_program_names_them_as_the_papers_do(void **state)
{
    (void)state;
    char text[1 << 16];
    FILE *f = fopen("hw-docs/wire.md", "rb");
    assert_non_null(f);
    text[fread(text, 1, sizeof text - 1, f)] = 0;
    fclose(f);
    struct said s = program("axis keys configs/demo-job.yaml --json");
    assert_int_equal(s.status, 0);
    json_t *json = json_loads(s.out, 0, NULL), *row;
    size_t i;
    assert_int_equal(json_array_size(json_object_get(json, "keys")), WIRE_KEYS);
    json_array_foreach (json_object_get(json, "keys"), i, row) {
        char wanted[100];
        snprintf(wanted, sizeof wanted, "\n| %d | %s | %s |", (int)i,
                 json_string_value(json_object_get(row, "name")),
                 json_string_value(json_object_get(row, "unit")));
        if (!strstr(text, wanted)) fail_msg("not in wire.md: %s", wanted + 1);
    }
    json_decref(json);
    said_clear(&s);
}

static void one_is_set_and_kept(void **state)
{
    (void)state;
    struct said s = program("axis keys reverse=1 configs/demo-job.yaml --save");
    assert_int_equal(s.status, 0);
    assert_non_null(strstr(s.out, "reverse           1 flag"));
    assert_non_null(strstr(s.out, "saved: "));
    said_clear(&s);
    static const struct {
        const char *arguments, *message;
    } bad[] = {
        {"revers=1", "axis keys: revers: there is no such parameter; write one of speed, accel, "},
        {"reverse=no", "axis keys: reverse=no: write a whole number behind the =\n"},
        {"reverse=2",
         "rail: the controller refused set (range): a number is outside what the controller allows\n"},
    };
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        s = program("axis keys %s configs/demo-job.yaml --save", bad[i].arguments);
        assert_int_equal(s.status, 2);
        assert_string_equal(s.out, "");
        assert_true(!strncmp(s.err, bad[i].message, strlen(bad[i].message)));
        said_clear(&s);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_board_that_was_never_set_up_comes_to_life),
        cmocka_unit_test(a_restart_ends_the_waiting),
        cmocka_unit_test(the_program_names_them_as_the_papers_do),
        cmocka_unit_test(one_is_set_and_kept),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
