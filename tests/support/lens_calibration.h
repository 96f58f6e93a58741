/* lens_calibration.h - `staddle axis calibrate` by the built program with the motor of an emulated camera's
 * lens, in real time; what it finds is held against the emulator's own mechanics. */
#ifndef TESTS_SUPPORT_LENS_CALIBRATION_H
#define TESTS_SUPPORT_LENS_CALIBRATION_H

#include <jansson.h>

#include "tests/support/emulated_stack.h"

#define LENS_CALIBRATION_PLAY 70 /* counts, between the motor and the glass */

/* `sizes`: of the named ones, or NULL. */
struct emulated_job lens_calibration_job(enum ptp_family, const char *folder, const int32_t *sizes);

/* Writes the job's files, with another play in the bench file, and runs it: its JSON, to be freed. */
json_t *lens_calibration_run(const struct emulated_job *, struct ptp_ip *);

/* Within what it says of itself, and that is not too much. */
void lens_calibration_play(const json_t *);
void lens_calibration_ratio(const json_t *, const char *key, double truth, double share);

#endif
