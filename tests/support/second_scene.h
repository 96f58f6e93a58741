/* second_scene.h - a second photograph with measured depth: the motorcycle of the Middlebury stereo data of
 * 2014 (Scharstein, Hirschmueller, Kitajima, Krathwohl, Nesic, Wang and Westling, 'High-resolution stereo
 * datasets with subpixel-accurate ground truth', GCPR 2014), as the package python3-skimage ships it: 741 x
 * 500, with a disparity for each pixel that has one. `make check` unpacks that package below build/data.
 *
 * Depth goes as 1 / (disparity + 31.086): the principal points of the two cameras lie so far apart, in
 * pixels (the data set's calibration, as that package's manual gives it). */
#ifndef TESTS_SUPPORT_SECOND_SCENE_H
#define TESTS_SUPPORT_SECOND_SCENE_H

#include "tests/support/shoot.h"

/* Writes the depth map into the test's folder. The test fails with a sentence when the data are not there. */
struct shoot_scene second_scene(void);

/* A picture of that package by its name, e.g. "gravel.png": its whole path. */
void second_scene_file(const char *name, char *path, size_t room);

#endif
