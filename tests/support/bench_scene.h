/* bench_scene.h - a small simulated bench for tests of the world, pictures to put before it, and frames as
 * light. */
#ifndef TESTS_SUPPORT_BENCH_SCENE_H
#define TESTS_SUPPORT_BENCH_SCENE_H

#include "sim/world.h"

struct bench_scene {
    struct bench bench;
    struct scene_spec scene;
    double magnification;
    bool quiet, ideal;
    struct world *world;
};

/* A bench with this lens and sensor, nothing that shakes or makes noise, an ideal lens; change what is to be
 * otherwise and then call bench_scene_open. */
struct bench_scene bench_scene_of(double focal_mm, double f_number, double pupil_ratio, double magnification,
                                  int32_t width_px, int32_t height_px, double pixel_um);
void bench_scene_open(struct bench_scene *); /* the test fails when it cannot */
void bench_scene_close(struct bench_scene *);

/* Writes a picture (8-bit gray, given as linear light 0..1, stored with the sRGB curve) and a depth map
 * (8-bit) as PNG into the test's folder and makes them the scene. `map`: disparities, or NULL: all the same.
 */
void bench_scene_picture(struct bench_scene *, int32_t width, int32_t height, const float *light,
                         const uint8_t *map);

/* A shot focused there, at rest, as long as is right. */
struct shot bench_scene_shot(struct bench_scene *, int64_t focus_nm);

struct light_frame {
    int32_t width, height;
    float *green; /* linear light, 1 = full scale */
};
struct light_frame bench_scene_frame(struct bench_scene *, const struct shot *);
void light_frame_free(struct light_frame *);

/* JPEG to 8-bit RGB; free both. */
uint8_t *jpeg_to_rgb(const uint8_t *jpeg, size_t count, int32_t *width, int32_t *height);

#endif
