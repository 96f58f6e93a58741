/* The rail behind a pseudo-terminal, in real time: the axis contract. The truth is what the
 * virtual rail's edges, told over the world's socket, have done to the test's own carriage. */
#include "tests/support/test.h"

#include "tests/support/axis_contract.h"

static struct rig *open_pty(void)
{
    return rig_open(&(struct rig_opts){.native.seed = 3, .axis.port = "the pseudo-terminal", .pty = true});
}

int main(void)
{
    static const struct axis_case AXES[] = {{"rail over a pty", open_pty, 20, 0}};
    return axis_contract(AXES, 1);
}
