#include "tests/support/test.h"

#include "tests/support/bad_cable.h"

static void command(struct rig *g, bool absolute, int64_t position, int64_t distance, int64_t zero)
{
    int64_t pulses = g->pulses;
    if (absolute)
        assert_int_equal(axis_move_to(g->axis, position + distance, NULL), 0);
    else
        assert_int_equal(axis_jog(g->axis, distance, NULL), 0);
    if (!rig_until(g, AXIS_REST, 20000000)) {
        print_error("%s: %s\n", axis_phase_text(rig_state(g).phase), rig_state(g).why.text);
        assert_true(false);
    }
    assert_int_equal(g->pulses - pulses, llabs(distance));
    assert_int_equal(g->place, zero + position + distance);
    assert_int_equal(rig_state(g).position_counts, position + distance);
}

void bad_cable_commands(int commands, struct rig_damage damage)
{
    bad_cable_run(
        commands, 40,
        &(struct rig_opts){.damage = damage, .native.seed = damage.seed, .axis.port = "a bad cable"});
}

void bad_cable_run(int commands, int furthest, const struct rig_opts *opts)
{
    struct rig_damage damage = opts->damage;
    struct rig *g = rig_open(opts);
    struct axis_rail_counts counts;
    int64_t pulses = 0;
    assert_true(rig_until(g, AXIS_REST, 1000000));
    assert_int_equal(axis_home(g->axis, NULL), 0);
    assert_true(rig_until(g, AXIS_REST, 60000000));
    int64_t position = rig_state(g).position_counts, zero = g->place - position;
    srand((unsigned)damage.seed);
    for (int i = 0; i < commands; i++) {
        int64_t distance = rand() % (2 * furthest + 1) - furthest;
        if (position + distance < 10 || position + distance > 3000) distance = -distance;
        command(g, i % 2, position, distance, zero);
        position += distance;
        pulses += llabs(distance);
    }
    axis_rail_get_counts(g->axis, &counts);
    /* The cable did its worst: of lines of some 20 and 50 bytes one in 14 is damaged at 1 byte in 1000. */
    assert_true(counts.repeated > commands / 100 && counts.damaged > commands / 100);
    printf("measured: rail%s: %d commands, 1 byte in %u damaged, %lld pulses: none wrong (%lld lines, %lld "
           "repeated, %lld "
           "resynchronised)\n",
           opts->pty ? " over a pty" : "", commands, (unsigned)damage.one_in, (long long)pulses,
           (long long)counts.sent, (long long)counts.repeated, (long long)counts.resynchronised);
    rig_close(g);
}
