/* calibration.h - calibrating in this process, with the simulated world at hand. */
#ifndef TESTS_SUPPORT_CALIBRATION_H
#define TESTS_SUPPORT_CALIBRATION_H

#include "run/calibrate.h"

/* A file in the test's folder. */
void calibration_put(const char *name, const char *text);

/* job.yaml there, opened with its camera under the virtual clock, the rail homed where it can: close it. */
struct axis_session *calibration_open(void);

#endif
