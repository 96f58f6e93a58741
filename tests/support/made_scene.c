#include "tests/support/made_scene.h"

#include <png.h>

#include "base/mem.h"
#include "sim/source.h"
#include "tests/support/test.h"

static int number; /* of the files written */

static void write_png(const char *path, int32_t w, int32_t h, uint32_t format, const void *samples)
{
    png_image image = {
        .version = PNG_IMAGE_VERSION, .width = (png_uint_32)w, .height = (png_uint_32)h, .format = format};
    assert_true(png_image_write_to_file(&image, path, 0, samples, w, NULL));
}

static void picture_size(const char *path, int32_t *w, int32_t *h)
{
    struct source p = {0};
    struct err why = {0};
    if (source_read_colour(&p, path, &why)) fail_msg("%s", why.text);
    *w = p.width;
    *h = p.height;
    source_clear(&p);
}

void made_scene_depth(struct shoot_scene *s, double (*depth)(double x, double y, const void *arg),
                      const void *arg)
{
    int32_t w, h;
    picture_size(s->picture, &w, &h);
    uint16_t *codes = mem_new((size_t)w * (size_t)h, sizeof *codes, NULL);
    for (int32_t y = 0; y < h; y++)
        for (int32_t x = 0; x < w; x++) {
            const double share = depth((x + 0.5) / w, (y + 0.5) / h, arg);
            codes[(size_t)y * (size_t)w + (size_t)x] =
                (uint16_t)(20000 + lround(40000 * fmin(fmax(share, 0), 1)));
        }
    s->is_distance = true;
    snprintf(s->depth_map, sizeof s->depth_map, "%s/made-depth%d.png", test_folder(), ++number);
    write_png(s->depth_map, w, h, PNG_FORMAT_LINEAR_Y, codes);
    mem_free(codes);
}

void made_scene_file(struct shoot_scene *s, const char *path)
{
    snprintf(s->picture, sizeof s->picture, "%s", path);
}

void made_scene_paint(struct shoot_scene *s, int32_t w, int32_t h,
                      uint8_t (*gray)(int32_t x, int32_t y, const void *arg), const void *arg)
{
    uint8_t *codes = mem_new((size_t)w * (size_t)h, 1, NULL);
    for (int32_t y = 0; y < h; y++)
        for (int32_t x = 0; x < w; x++)
            codes[(size_t)y * (size_t)w + (size_t)x] = gray(x, y, arg);
    snprintf(s->picture, sizeof s->picture, "%s/made-picture%d.png", test_folder(), ++number);
    write_png(s->picture, w, h, PNG_FORMAT_GRAY, codes);
    mem_free(codes);
}
