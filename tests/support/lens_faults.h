/* lens_faults.h - the table phase x fault of a camera with a lens drive: at one moment of the fifth release
 * of a short stack one thing befalls the emulated camera, its link, or the camera program. Whatever it is,
 * the stack ends (some after a resume) with one kept frame for each slice, of its place, byte for byte an
 * object of the camera, and the shutter was released again only for an exposure that was caught. Real time;
 * several stacks at once, since most of it is waiting. */
#ifndef TESTS_SUPPORT_LENS_FAULTS_H
#define TESTS_SUPPORT_LENS_FAULTS_H

#include "tests/emulator/ptp_camera.h"

void lens_faults_table(enum ptp_family, const char *name);

#endif
