/* made_scene.h - scenes for the simulated world that a test makes itself: a depth for each place, behind a
 * photograph or behind a picture that was painted for it. */
#ifndef TESTS_SUPPORT_MADE_SCENE_H
#define TESTS_SUPPORT_MADE_SCENE_H

#include "tests/support/shoot.h"

/* Writes a depth map as large as the scene's picture into the test's folder. `depth` is asked at x, y 0..1
 * and says 0 (nearest) to 1 (farthest); the world stretches what it gets to the whole depth. */
void made_scene_depth(struct shoot_scene *, double (*depth)(double x, double y, const void *arg),
                      const void *arg);

/* Takes a picture file (PNG or JPEG) as it is. */
void made_scene_file(struct shoot_scene *, const char *path);

/* Writes a picture of that size into the test's folder: gray, code values. */
void made_scene_paint(struct shoot_scene *, int32_t width, int32_t height,
                      uint8_t (*gray)(int32_t x, int32_t y, const void *arg), const void *arg);

#endif
