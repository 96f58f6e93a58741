#include "tests/support/bench_scene.h"

#include "tests/support/test.h"

#include <jpeglib.h>
#include <png.h>

#include "base/mem.h"

struct bench_scene bench_scene_of(double focal_mm, double f_number, double pupil_ratio, double magnification,
                                  int32_t width_px, int32_t height_px, double pixel_um)
{
    struct bench_scene b = {.magnification = magnification, .quiet = true, .ideal = true};
    b.bench.camera.width_px = width_px;
    b.bench.camera.height_px = height_px;
    b.bench.camera.sensor_width_nm = llround(width_px * pixel_um * 1000);
    b.bench.lens.focal_length_nm = llround(focal_mm * 1e6);
    b.bench.lens.f_number = f_number;
    b.bench.lens.pupil_ratio = pupil_ratio;
    b.bench.axis.lead_nm = 2000000;
    b.bench.axis.steps_per_rev = 200;
    b.bench.axis.microsteps = 16;
    b.scene.depth_nm = 1000000;
    b.scene.noise = -1;
    b.scene.lamp_scatter_stops = -1;
    b.scene.screw_error_um = -1;
    b.scene.backlash_um = -1;
    return b;
}

static void give_up(const struct err *why)
{
    print_error("%s\n", why->text);
    assert_null(why->text);
}

void bench_scene_open(struct bench_scene *b)
{
    struct err why = {0};
    b->world = world_new(&(struct world_opts){.bench = &b->bench,
                                              .scene = &b->scene,
                                              .magnification = b->magnification,
                                              .exposure_us = 250000,
                                              .seed = 3,
                                              .quiet = b->quiet,
                                              .ideal_lens = b->ideal},
                         &why);
    if (!b->world) give_up(&why);
}

void bench_scene_close(struct bench_scene *b)
{
    world_free(b->world);
    b->world = NULL;
}

static void write_gray(const char *path, int32_t w, int32_t h, const uint8_t *gray)
{
    png_image image = {.version = PNG_IMAGE_VERSION,
                       .width = (png_uint_32)w,
                       .height = (png_uint_32)h,
                       .format = PNG_FORMAT_GRAY};
    assert_true(png_image_write_to_file(&image, path, 0, gray, w, NULL));
}

void bench_scene_picture(struct bench_scene *b, int32_t w, int32_t h, const float *light, const uint8_t *map)
{
    static int number;
    size_t n = (size_t)w * (size_t)h;
    uint8_t *codes = malloc(n);
    assert_non_null(codes);
    for (size_t i = 0; i < n; i++) {
        double x = (double)light[i];
        codes[i] = (uint8_t)lrint(255 * (x <= 0.0031308 ? 12.92 * x : 1.055 * pow(x, 1 / 2.4) - 0.055));
    }
    number++;
    snprintf(b->scene.picture, sizeof b->scene.picture, "%s/picture%d.png", test_folder(), number);
    snprintf(b->scene.depth_map, sizeof b->scene.depth_map, "%s/map%d.png", test_folder(), number);
    write_gray(b->scene.picture, w, h, codes);
    for (size_t i = 0; i < n; i++)
        codes[i] = map ? map[i] : 100;
    write_gray(b->scene.depth_map, w, h, codes);
    free(codes);
}

struct shot bench_scene_shot(struct bench_scene *b, int64_t focus_nm)
{
    struct shot s = {.noise_seed = 11, .wall_us = 978379200250000};
    world_place(b->world, focus_nm);
    world_expose(b->world, 1000000, 1250000, false, &s);
    return s;
}

struct catcher {
    struct jpeg_error_mgr base;
};

uint8_t *jpeg_to_rgb(const uint8_t *jpeg, size_t count, int32_t *width, int32_t *height)
{
    struct jpeg_decompress_struct d;
    struct catcher e;
    d.err = jpeg_std_error(&e.base);
    jpeg_create_decompress(&d);
    jpeg_mem_src(&d, jpeg, count);
    jpeg_read_header(&d, TRUE);
    d.out_color_space = JCS_RGB;
    jpeg_start_decompress(&d);
    *width = (int32_t)d.output_width;
    *height = (int32_t)d.output_height;
    uint8_t *rgb = malloc(3 * (size_t)*width * (size_t)*height);
    assert_non_null(rgb);
    while (d.output_scanline < d.output_height) {
        JSAMPROW row = rgb + 3 * (size_t)d.output_scanline * (size_t)*width;
        jpeg_read_scanlines(&d, &row, 1);
    }
    jpeg_finish_decompress(&d);
    jpeg_destroy_decompress(&d);
    return rgb;
}

struct light_frame bench_scene_frame(struct bench_scene *b, const struct shot *s)
{
    struct err why = {0};
    struct light_frame f = {0};
    uint8_t *jpeg = NULL;
    size_t count = 0;
    if (world_render(b->world, s, 1, &jpeg, &count, &why)) give_up(&why);
    uint8_t *rgb = jpeg_to_rgb(jpeg, count, &f.width, &f.height);
    mem_free(jpeg);
    size_t n = (size_t)f.width * (size_t)f.height;
    f.green = malloc(n * sizeof *f.green);
    assert_non_null(f.green);
    for (size_t i = 0; i < n; i++) {
        double x = rgb[3 * i + 1] / 255.0;
        f.green[i] = (float)(x <= 0.04045 ? x / 12.92 : pow((x + 0.055) / 1.055, 2.4));
    }
    free(rgb);
    return f;
}

void light_frame_free(struct light_frame *f)
{
    free(f->green);
    f->green = NULL;
}
