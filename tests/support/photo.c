#include "tests/support/test.h"

#include "tests/support/photo.h"

#include <jpeglib.h>

#define FOLDER "/usr/share/doc/opencv-doc/examples/data"

struct photo photo_load(const char *name)
{
    char path[256];
    snprintf(path, sizeof path, "%s/%s", FOLDER, name);
    FILE *in = fopen(path, "rb");
    if (!in) {
        print_error("%s is missing; install opencv-doc\n", path);
        _fail(__FILE__, __LINE__);
    }
    struct jpeg_decompress_struct d;
    struct jpeg_error_mgr trouble;
    d.err = jpeg_std_error(&trouble);
    jpeg_create_decompress(&d);
    jpeg_stdio_src(&d, in);
    jpeg_read_header(&d, TRUE);
    d.out_color_space = JCS_GRAYSCALE;
    jpeg_start_decompress(&d);
    struct photo p = {(int32_t)d.output_width, (int32_t)d.output_height, NULL};
    p.gray = malloc((size_t)p.width * (size_t)p.height * sizeof *p.gray);
    JSAMPROW row = malloc((size_t)p.width);
    while (d.output_scanline < d.output_height) {
        float *to = p.gray + (size_t)d.output_scanline * (size_t)p.width;
        jpeg_read_scanlines(&d, &row, 1);
        for (int32_t x = 0; x < p.width; x++)
            to[x] = row[x];
    }
    free(row);
    jpeg_finish_decompress(&d);
    jpeg_destroy_decompress(&d);
    fclose(in);
    return p;
}

void photo_free(struct photo *p)
{
    free(p->gray);
    p->gray = NULL;
}

static struct photo photo_new(int32_t width, int32_t height)
{
    return (struct photo){width, height, calloc((size_t)width * (size_t)height, sizeof(float))};
}

/* Mean of a piecewise constant row over from..to. */
static double mean_between(const float *row, int32_t stride, double from, double to)
{
    double sum = 0;
    for (int32_t x = (int32_t)floor(from); x < to; x++) {
        const double left = x > from ? x : from, right = x + 1 < to ? x + 1 : to;
        if (right > left) sum += (right - left) * (double)row[(size_t)x * (size_t)stride];
    }
    return sum / (to - from);
}

struct photo photo_area(const struct photo *p, int32_t width, int32_t height, double x0, double y0,
                        double step)
{
    assert_true(x0 >= 0 && y0 >= 0 && x0 + step * width <= p->width && y0 + step * height <= p->height);
    struct photo across = photo_new(width, p->height), out = photo_new(width, height);
    for (int32_t y = 0; y < p->height; y++)
        for (int32_t x = 0; x < width; x++)
            across.gray[(size_t)y * (size_t)width + (size_t)x] = (float)mean_between(
                p->gray + (size_t)y * (size_t)p->width, 1, x0 + step * x, x0 + step * (x + 1));
    for (int32_t y = 0; y < height; y++)
        for (int32_t x = 0; x < width; x++)
            out.gray[(size_t)y * (size_t)width + (size_t)x] =
                (float)mean_between(across.gray + x, width, y0 + step * y, y0 + step * (y + 1));
    photo_free(&across);
    return out;
}

/* Share of a pixel at (x, y) inside a disc around 0, by 16 x 16 points. */
static double share_inside(int x, int y, double radius)
{
    int inside = 0;
    for (int k = 0; k < 256; k++) {
        const double u = x + (k % 16 + 0.5) / 16 - 0.5, v = y + (k / 16 + 0.5) / 16 - 0.5;
        inside += u * u + v * v <= radius * radius;
    }
    return inside / 256.0;
}

static int32_t clamp(int32_t at, int32_t count)
{
    return at < 0 ? 0 : at >= count ? count - 1 : at;
}

struct photo photo_disc_blur(const struct photo *p, double radius)
{
    const int reach = (int)ceil(radius + 0.5), side = 2 * reach + 1;
    float *weight = malloc((size_t)(side * side) * sizeof *weight);
    double all = 0;
    for (int k = 0; k < side * side; k++)
        all += (double)(weight[k] = (float)share_inside(k % side - reach, k / side - reach, radius));
    struct photo out = photo_new(p->width, p->height);
    for (int32_t y = 0; y < p->height; y++)
        for (int32_t x = 0; x < p->width; x++) {
            float sum = 0;
            for (int v = -reach; v <= reach; v++) {
                const float *row = p->gray + (size_t)clamp(y + v, p->height) * (size_t)p->width;
                const float *w = weight + (size_t)((v + reach) * side);
                for (int u = -reach; u <= reach; u++)
                    sum += w[u + reach] * row[clamp(x + u, p->width)];
            }
            out.gray[(size_t)y * (size_t)p->width + (size_t)x] = (float)((double)sum / all);
        }
    free(weight);
    return out;
}

/* SplitMix64 (Steele, Lea, Flood 2014, from memory) */
static double uniform(uint64_t *state)
{
    uint64_t z = *state += 0x9E3779B97F4A7C15u;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return (double)((z ^ (z >> 31)) >> 11) / 9007199254740992.0;
}

void photo_add_noise(struct photo *p, double sigma, uint64_t seed)
{
    const size_t n = (size_t)p->width * (size_t)p->height;
    for (size_t i = 0; i < n; i++) {
        const double r = sqrt(-2 * log(1 - uniform(&seed))), angle = 2 * M_PI * uniform(&seed);
        p->gray[i] += (float)(sigma * r * cos(angle));
    }
}

uint8_t *photo_bytes(const struct photo *p)
{
    const size_t n = (size_t)p->width * (size_t)p->height;
    uint8_t *out = malloc(n);
    for (size_t i = 0; i < n; i++) {
        const double v = (double)p->gray[i];
        out[i] = (uint8_t)(v < 0 ? 0 : v > 255 ? 255 : lround(v));
    }
    return out;
}
