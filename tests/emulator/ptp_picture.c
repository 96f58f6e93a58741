#include "tests/emulator/ptp_picture.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

#define W             PTP_PICTURE_WIDTH
#define H             PTP_PICTURE_HEIGHT
#define BLUR_MOST     12.0
#define SHARPEST      40 /* so many pixels of blur from the focus of one edge to the other's */
#define SCENE_DEFAULT 320

/* Detail of every size, the same each time: a mix of the coordinates' bits. */
static double texture(int x, int y)
{
    uint32_t sum = 0;
    for (int size = 1; size <= 16; size *= 4) {
        uint32_t h = (uint32_t)(x / size) * 2654435761u ^ (uint32_t)(y / size) * 2246822519u;
        h ^= h >> 15;
        h *= 2654435761u;
        sum += h >> 24;
    }
    return 30 + sum / 4.0;
}

/* Sums over the rectangle from the corner, so that a mean over any square takes four of them. */
static void sum_up(double sums[H + 1][W + 1])
{
    for (int y = 0; y < H; y++)
        for (int x = 0; x < W; x++)
            sums[y + 1][x + 1] = texture(x, y) + sums[y][x + 1] + sums[y + 1][x] - sums[y][x];
}

static double mean_over(double sums[H + 1][W + 1], int x, int y, int radius)
{
    const int x0 = x > radius ? x - radius : 0, y0 = y > radius ? y - radius : 0;
    const int x1 = x + radius < W ? x + radius + 1 : W, y1 = y + radius < H ? y + radius + 1 : H;
    return (sums[y1][x1] - sums[y0][x1] - sums[y1][x0] + sums[y0][x0]) / ((x1 - x0) * (y1 - y0));
}

/* Blurred by the distance from where it is in focus; between two whole radii a mix of both. */
static uint8_t pixel(double sums[H + 1][W + 1], int x, int y, double focus_at, double counts_per_px)
{
    double radius = fabs(focus_at) / counts_per_px;
    if (radius > BLUR_MOST) radius = BLUR_MOST;
    const int whole = (int)radius;
    const double part = radius - whole;
    const double v = (1 - part) * mean_over(sums, x, y, whole) + part * mean_over(sums, x, y, whole + 1);
    return (uint8_t)(v + 0.5);
}

uint8_t *ptp_picture_made(const struct ptp_scene *scene, int32_t release, int32_t lens_at, size_t *count_out)
{
    static _Thread_local double sums[H + 1][W + 1];
    const int32_t left = scene->left,
                  right = scene->left == scene->right ? left + SCENE_DEFAULT : scene->right;
    const double counts_per_px = fabs((double)(right - left)) / SHARPEST;
    struct jpeg_compress_struct jpeg;
    struct jpeg_error_mgr errors;
    unsigned char *bytes = NULL;
    unsigned long count = 0;
    char comment[64];
    uint8_t row[PTP_PICTURE_WIDTH];
    JSAMPROW rows[1] = {row};
    jpeg.err = jpeg_std_error(&errors);
    jpeg_create_compress(&jpeg);
    jpeg_mem_dest(&jpeg, &bytes, &count);
    jpeg.image_width = PTP_PICTURE_WIDTH;
    jpeg.image_height = PTP_PICTURE_HEIGHT;
    jpeg.input_components = 1;
    jpeg.in_color_space = JCS_GRAYSCALE;
    jpeg_set_defaults(&jpeg);
    jpeg_start_compress(&jpeg, TRUE);
    const int n = snprintf(comment, sizeof comment, "release %d lens %d", (int)release, (int)lens_at);
    jpeg_write_marker(&jpeg, JPEG_COM, (const JOCTET *)comment, (unsigned)n);
    if (sums[H][W] == 0) sum_up(sums);
    for (int y = 0; y < PTP_PICTURE_HEIGHT; y++) {
        for (int x = 0; x < PTP_PICTURE_WIDTH; x++)
            row[x] =
                pixel(sums, x, y, lens_at - (left + (double)(right - left) * x / (W - 1)), counts_per_px);
        jpeg_write_scanlines(&jpeg, rows, 1);
    }
    jpeg_finish_compress(&jpeg);
    jpeg_destroy_compress(&jpeg);
    *count_out = count;
    return bytes;
}

int32_t ptp_picture_release(const uint8_t *jpeg, size_t count, int32_t *lens_out)
{
    int release = 0, lens = 0;
    for (size_t i = 0; i + 4 < count; i++) {
        if (jpeg[i] != 0xFF || jpeg[i + 1] != 0xFE) continue;
        char text[64] = {0};
        const size_t n = (size_t)(jpeg[i + 2] << 8 | jpeg[i + 3]) - 2;
        if (n >= sizeof text || i + 4 + n > count) continue;
        memcpy(text, jpeg + i + 4, n);
        if (sscanf(text, "release %d lens %d", &release, &lens) == 2) break;
    }
    if (lens_out) *lens_out = lens;
    return release;
}
