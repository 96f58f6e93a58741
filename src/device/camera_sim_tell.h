/* camera_sim_tell.h - the settings of the simulated camera, told as a real one tells them: what a newcomer
 * sees without a camera. Exposure, aperture and ISO may be set; all else is as it should be. */
#ifndef STADDLE_DEVICE_CAMERA_SIM_TELL_H
#define STADDLE_DEVICE_CAMERA_SIM_TELL_H

#include "device/camera.h"

int camera_sim_told(const struct camera_settings *, int64_t wall_us, struct told *out, struct err *);
int camera_sim_turned(struct camera_settings *, const char *setting, const char *word, struct err *);

#endif
