/* bad_cable.h - many moves over a cable that damages bytes, each judged by the pulses that reached the motor.
 */
#ifndef TESTS_SUPPORT_BAD_CABLE_H
#define TESTS_SUPPORT_BAD_CABLE_H

#include "tests/support/rail_rig.h"

/* So many short moves, absolute and relative in turn; asserts that each made its pulses, no more and no
 * fewer, and that the axis was told so. Prints a figure. */
void bad_cable_commands(int commands, struct rig_damage);

/* The same on any rig, with moves of `furthest` steps at most. */
void bad_cable_run(int commands, int furthest, const struct rig_opts *);

#endif
