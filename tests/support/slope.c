#include "slope.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

static uint32_t mix(uint32_t h)
{
    h ^= h >> 16, h *= 0x7FEB352Du, h ^= h >> 15, h *= 0x846CA68Bu;
    return h ^ h >> 16;
}

/* Random gray in blocks of 3 px, so that it survives a JPEG. */
static float *texture(const struct slope *s)
{
    float *out = malloc((size_t)s->width_px * (size_t)s->height_px * sizeof *out);
    for (int32_t y = 0; y < s->height_px; y++)
        for (int32_t x = 0; x < s->width_px; x++)
            out[y * s->width_px + x] =
                70 + (float)(mix((uint32_t)(y / 3 * 7919 + x / 3) * 2654435761u + s->seed) % 120);
    return out;
}

static void box(const float *in, float *out, int32_t count, int32_t step, int32_t r)
{
    for (int32_t i = 0; i < count; i++) {
        float sum = 0;
        for (int32_t k = i - r; k <= i + r; k++)
            sum += in[(k < 0 ? 0 : k < count ? k : count - 1) * step];
        out[i * step] = sum / (float)(2 * r + 1);
    }
}

static float *blurred(const float *in, const struct slope *s, int32_t r)
{
    const size_t size = (size_t)s->width_px * (size_t)s->height_px * sizeof(float);
    float *a = malloc(size), *b = malloc(size);
    memcpy(a, in, size);
    for (int pass = 0; pass < 3 && r > 0; pass++) {
        for (int32_t y = 0; y < s->height_px; y++)
            box(a + y * s->width_px, b + y * s->width_px, s->width_px, 1, r);
        for (int32_t x = 0; x < s->width_px; x++)
            box(b + x, a + x, s->height_px, s->width_px, r);
    }
    free(b);
    return a;
}

static void write_jpeg(const char *path, const uint8_t *gray, const struct slope *s)
{
    struct jpeg_compress_struct c;
    struct jpeg_error_mgr e;
    FILE *f = fopen(path, "wb");
    c.err = jpeg_std_error(&e);
    jpeg_create_compress(&c);
    jpeg_stdio_dest(&c, f);
    c.image_width = (JDIMENSION)s->width_px;
    c.image_height = (JDIMENSION)s->height_px;
    c.input_components = 1;
    c.in_color_space = JCS_GRAYSCALE;
    jpeg_set_defaults(&c);
    jpeg_set_quality(&c, 92, TRUE);
    jpeg_start_compress(&c, TRUE);
    while (c.next_scanline < c.image_height) {
        JSAMPROW row = (JSAMPROW)(uintptr_t)(gray + c.next_scanline * c.image_width);
        jpeg_write_scanlines(&c, &row, 1);
    }
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    fclose(f);
}

#define LEVELS 14

int32_t slope_write(const char *dir, const struct slope *s)
{
    const int32_t last = s->last ? s->last : s->frames - 1;
    const size_t pixels = (size_t)s->width_px * (size_t)s->height_px;
    float *sharp = texture(s), *level[LEVELS];
    uint8_t *gray = malloc(pixels);
    int32_t written = 0;
    for (int32_t r = 0; r < LEVELS; r++)
        level[r] = blurred(sharp, s, r);
    for (int32_t i = s->first; i <= last; i++) {
        if (s->skip && i >= s->skip_at && i < s->skip_at + s->skip) continue;
        for (int32_t y = 0; y < s->height_px; y++)
            for (int32_t x = 0; x < s->width_px; x++) {
                const double depth =
                    (double)x / (s->width_px - 1) * (s->frames - 5) + 2; /* two frames to spare */
                const double r = fmin(fabs(depth - i) * 0.45, LEVELS - 1.001);
                const int32_t k = (int32_t)r;
                const float t = (float)(r - k);
                const int32_t at = y * s->width_px + x;
                const float noise = (float)(mix((uint32_t)(at + i * 40503) ^ s->seed) % 5) - 2;
                const float v = level[k][at] * (1 - t) + level[k + 1][at] * t + noise;
                gray[at] = (uint8_t)(v < 0 ? 0 : v > 255 ? 255 : v);
            }
        char path[1200];
        snprintf(path, sizeof path, "%s/f%04d.jpg", dir, ++written);
        write_jpeg(path, gray, s);
    }
    for (int32_t r = 0; r < LEVELS; r++)
        free(level[r]);
    free(sharp);
    free(gray);
    return written;
}
