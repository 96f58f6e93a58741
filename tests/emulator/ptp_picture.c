#include "tests/emulator/ptp_picture.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <jpeglib.h>

static uint8_t pixel(int x, int y, int32_t release, int32_t lens_at)
{
    const int u = x + 7 * release, v = y + lens_at / 16;
    return (uint8_t)(40 + 160 * ((u / 8 + v / 8) & 1) + (u * 13 + v * 29) % 31);
}

uint8_t *ptp_picture_made(int32_t release, int32_t lens_at, size_t *count_out)
{
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
    for (int y = 0; y < PTP_PICTURE_HEIGHT; y++) {
        for (int x = 0; x < PTP_PICTURE_WIDTH; x++)
            row[x] = pixel(x, y, release, lens_at);
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
