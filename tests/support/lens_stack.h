/* lens_stack.h - two hundred slices with a lens drive, by the built program through the unmodified
 * libgphoto2: one frame a slice, of its place, byte for byte what the camera holds, and no release too many;
 * memory and descriptors of both programs stay where they were; check finds the stack whole. Real time, which
 * the emulated camera hardly takes. */
#ifndef TESTS_SUPPORT_LENS_STACK_H
#define TESTS_SUPPORT_LENS_STACK_H

#include "tests/emulator/ptp_camera.h"

void lens_stack_shoot(enum ptp_family, const char *folder);

#endif
