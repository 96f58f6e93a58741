/* axis_contract.h - what every axis has to do, whatever moves it: src/device/axis.h, sentence by sentence. A
 * rig may give no truth (place) for an axis that has none. */
#ifndef TESTS_SUPPORT_AXIS_CONTRACT_H
#define TESTS_SUPPORT_AXIS_CONTRACT_H

#include "tests/support/rail_rig.h"

struct axis_case {
    const char *name;
    struct rig *(*open)(void);
    int hurry;  /* idle times are so much shorter: 1, more where time is real */
    int shrink; /* so are its ways; 0: none */
};

/* Runs the tests over each case; how many failed. */
int axis_contract(const struct axis_case *, int count);

#endif
