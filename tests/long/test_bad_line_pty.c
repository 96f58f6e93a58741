/* Five thousand moves over a pseudo-terminal in real time, one byte in a thousand damaged: two rails side by
 * side, each with half of the moves, for most of the time goes by waiting for answers that were lost. The
 * verdict is the pulses that the virtual rail has told to the test's own carriage. */
#include "tests/support/test.h"

#include "tests/support/bad_cable.h"

#include <sys/wait.h>
#include <unistd.h>

#define HALF 2500

/* A quick line and a quick motor: what is tried is the line, not the motor. */
static void half(uint64_t seed)
{
    bad_cable_run(HALF, 4,
                  &(struct rig_opts){.damage = {1000, seed},
                                     .native.seed = seed,
                                     .link.baud = 2000000,
                                     .axis.port = "a bad line",
                                     .axis.accel_counts_per_s2 = 400000,
                                     .pty = true});
}

static void the_other_half(void **state)
{
    (void)state;
    half(2029);
}

static void five_thousand_commands_over_a_bad_line_move_nothing_wrong(void **state)
{
    (void)state;
    int status = -1;
    pid_t other = fork();
    assert_true(other >= 0);
    if (!other) {
        unsetenv("CMOCKA_MESSAGE_OUTPUT");
        execl("/proc/self/exe", "the other half", "here", (char *)NULL);
        _exit(127);
    }
    half(2028);
    assert_int_equal(waitpid(other, &status, 0), other);
    assert_int_equal(status, 0);
}

int main(int argc, char **argv)
{
    (void)argv;
    const struct CMUnitTest one[] = {cmocka_unit_test(the_other_half)};
    const struct CMUnitTest both[] = {
        cmocka_unit_test(five_thousand_commands_over_a_bad_line_move_nothing_wrong),
    };
    return argc > 1 ? cmocka_run_group_tests(one, NULL, NULL) : cmocka_run_group_tests(both, NULL, NULL);
}
