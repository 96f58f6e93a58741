#include "tests/support/test.h"

#include "tests/support/moved.h"

#include <complex.h>
#include <fftw3.h>

#define REACH    16  /* samples of the sinc on each side */
#define PIECE_PX 450 /* of a patchwork */
#define BETA     9.0 /* of Kaiser's window: what leaks is some 1e-4 */

static struct photo photo_new(int32_t width, int32_t height)
{
    return (struct photo){width, height, calloc((size_t)width * (size_t)height, sizeof(float))};
}

static int32_t clamp(int32_t at, int32_t count)
{
    return at < 0 ? 0 : at >= count ? count - 1 : at;
}

static int32_t folded(int32_t at, int32_t count)
{
    const int32_t turn = at % (2 * count);
    return turn < count ? turn : 2 * count - 1 - turn;
}

void photo_to_light(struct photo *p)
{
    const size_t n = (size_t)p->width * (size_t)p->height;
    for (size_t i = 0; i < n; i++) {
        const double v = (double)p->gray[i] / 255;
        p->gray[i] = (float)(255 * (v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4)));
    }
}

void photo_to_codes(struct photo *p)
{
    const size_t n = (size_t)p->width * (size_t)p->height;
    for (size_t i = 0; i < n; i++) {
        const double v = (double)p->gray[i] / 255;
        p->gray[i] = (float)(255 * (v <= 0.0031308 ? v * 12.92 : 1.055 * pow(v, 1 / 2.4) - 0.055));
    }
}

struct photo photo_part(const struct photo *p, int32_t x0, int32_t y0, int32_t width, int32_t height)
{
    assert_true(x0 >= 0 && y0 >= 0 && x0 + width <= p->width && y0 + height <= p->height);
    struct photo out = photo_new(width, height);
    for (int32_t y = 0; y < height; y++)
        memcpy(out.gray + (size_t)y * (size_t)width,
               p->gray + (size_t)(y0 + y) * (size_t)p->width + (size_t)x0, (size_t)width * sizeof(float));
    return out;
}

/* A frequency of n samples, in turns per sample. */
static double turns(int32_t k, int32_t n)
{
    return (double)(k <= n / 2 ? k : k - n) / n;
}

struct photo photo_fourier(const struct photo *p, double dx, double dy)
{
    const int32_t w = 2 * p->width, h = 2 * p->height, m = w / 2 + 1;
    float *plane = fftwf_malloc((size_t)w * (size_t)h * sizeof *plane);
    float complex *wave = fftwf_malloc((size_t)m * (size_t)h * sizeof *wave);
    fftwf_plan there = fftwf_plan_dft_r2c_2d(h, w, plane, wave, FFTW_ESTIMATE),
               back = fftwf_plan_dft_c2r_2d(h, w, wave, plane, FFTW_ESTIMATE);
    for (int32_t y = 0; y < h; y++)
        for (int32_t x = 0; x < w; x++)
            plane[(size_t)y * (size_t)w + (size_t)x] =
                p->gray[(size_t)folded(y, p->height) * (size_t)p->width + (size_t)folded(x, p->width)];
    fftwf_execute(there);
    const double unit = 1.0 / ((double)w * h);
    for (int32_t y = 0; y < h; y++)
        for (int32_t x = 0; x < m; x++) {
            const double angle = -2 * M_PI * (dx * turns(x, w) + dy * turns(y, h));
            const double complex turn = (cos(angle) + I * sin(angle)) * unit;
            wave[(size_t)y * (size_t)m + (size_t)x] *= (float complex)turn;
        }
    fftwf_execute(back);
    struct photo out = photo_new(p->width, p->height);
    for (int32_t y = 0; y < p->height; y++)
        memcpy(out.gray + (size_t)y * (size_t)p->width, plane + (size_t)y * (size_t)w,
               (size_t)p->width * sizeof(float));
    fftwf_destroy_plan(there);
    fftwf_destroy_plan(back);
    fftwf_free(plane);
    fftwf_free(wave);
    return out;
}

/* Modified Bessel function of the first kind, order zero: its series (Abramowitz and Stegun 9.6.12). */
static double bessel_i0(double x)
{
    double sum = 1, term = 1;
    for (int k = 1; k < 40; k++) {
        term *= x * x / 4 / (k * k);
        sum += term;
    }
    return sum;
}

static double sinc_under_window(double t)
{
    if (fabs(t) >= REACH) return 0;
    const double u = t / REACH, window = bessel_i0(BETA * sqrt(1 - u * u)) / bessel_i0(BETA);
    return fabs(t) < 1e-9 ? window : sin(M_PI * t) / (M_PI * t) * window;
}

/* One row or column of `count` samples, `stride` apart, seen at out_count places. */
struct line {
    int32_t count, out_count;
    float *weight;  /* 2 * REACH of each place */
    int32_t *first; /* its first sample */
};

static struct line line_new(int32_t count, int32_t out_count, double shift, double scale)
{
    struct line l = {count, out_count, malloc((size_t)out_count * 2 * REACH * sizeof(float)),
                     malloc((size_t)out_count * sizeof(int32_t))};
    for (int32_t i = 0; i < out_count; i++) {
        const double at = (i + 0.5 - out_count / 2.0 - shift) / scale + count / 2.0 - 0.5;
        double sum = 0, w[2 * REACH];
        l.first[i] = (int32_t)floor(at) - REACH + 1;
        for (int32_t k = 0; k < 2 * REACH; k++)
            sum += w[k] = sinc_under_window(at - (l.first[i] + k));
        for (int32_t k = 0; k < 2 * REACH; k++)
            l.weight[(size_t)i * 2 * REACH + (size_t)k] = (float)(w[k] / sum);
    }
    return l;
}

static void line_free(struct line *l)
{
    free(l->weight);
    free(l->first);
}

struct photo photo_seen(const struct photo *p, int32_t width, int32_t height, const struct moved *m)
{
    struct line across = line_new(p->width, width, m->dx, m->scale),
                down = line_new(p->height, height, m->dy, m->scale);
    struct photo half = photo_new(width, p->height), out = photo_new(width, height);
    for (int32_t y = 0; y < p->height; y++) {
        const float *from = p->gray + (size_t)y * (size_t)p->width;
        for (int32_t x = 0; x < width; x++) {
            const float *w = across.weight + (size_t)x * 2 * REACH;
            float sum = 0;
            for (int32_t k = 0; k < 2 * REACH; k++)
                sum += w[k] * from[clamp(across.first[x] + k, p->width)];
            half.gray[(size_t)y * (size_t)width + (size_t)x] = sum;
        }
    }
    for (int32_t y = 0; y < height; y++) {
        float *to = out.gray + (size_t)y * (size_t)width;
        for (int32_t k = 0; k < 2 * REACH; k++) {
            const float w = down.weight[(size_t)y * 2 * REACH + (size_t)k];
            const float *from = half.gray + (size_t)clamp(down.first[y] + k, p->height) * (size_t)width;
            for (int32_t x = 0; x < width; x++)
                to[x] += w * from[x];
        }
    }
    photo_free(&half);
    line_free(&across);
    line_free(&down);
    return out;
}

struct photo photo_gauss(const struct photo *p, double sigma_px)
{
    const int32_t reach = (int32_t)ceil(4 * sigma_px);
    float *weight = malloc((size_t)(2 * reach + 1) * sizeof *weight);
    double all = 0;
    for (int32_t k = -reach; k <= reach; k++)
        all += (double)(weight[k + reach] = (float)exp(-0.5 * k * k / (sigma_px * sigma_px)));
    struct photo half = photo_new(p->width, p->height), out = photo_new(p->width, p->height);
    for (int32_t y = 0; y < p->height; y++)
        for (int32_t k = -reach; k <= reach; k++) {
            const float w = (float)((double)weight[k + reach] / all);
            const float *from = p->gray + (size_t)y * (size_t)p->width;
            float *to = half.gray + (size_t)y * (size_t)p->width;
            for (int32_t x = 0; x < p->width; x++)
                to[x] += w * from[clamp(x + k, p->width)];
        }
    for (int32_t y = 0; y < p->height; y++)
        for (int32_t k = -reach; k <= reach; k++) {
            const float w = (float)((double)weight[k + reach] / all);
            const float *from = half.gray + (size_t)clamp(y + k, p->height) * (size_t)p->width;
            float *to = out.gray + (size_t)y * (size_t)p->width;
            for (int32_t x = 0; x < p->width; x++)
                to[x] += w * from[x];
        }
    photo_free(&half);
    free(weight);
    return out;
}

struct photo photo_patchwork(const struct photo *of, int count, int32_t width, int32_t height, uint64_t seed)
{
    struct photo out = photo_new(width, height);
    for (int32_t y0 = 0; y0 < height; y0 += PIECE_PX)
        for (int32_t x0 = 0; x0 < width; x0 += PIECE_PX) {
            seed = seed * 6364136223846793005u + 1442695040888963407u; /* Knuth, MMIX */
            const uint32_t r = (uint32_t)(seed >> 33);
            const struct photo *p = &of[r % (uint32_t)count];
            const int32_t u = (int32_t)(r / 7 % (uint32_t)(p->width - PIECE_PX + 1)),
                          v = (int32_t)(r / 1009 % (uint32_t)(p->height - PIECE_PX + 1));
            for (int32_t y = y0; y < height && y < y0 + PIECE_PX; y++)
                for (int32_t x = x0; x < width && x < x0 + PIECE_PX; x++) {
                    const int32_t i = r & 1 << 20 ? PIECE_PX - 1 - (x - x0) : x - x0,
                                  k = r & 1 << 21 ? PIECE_PX - 1 - (y - y0) : y - y0;
                    out.gray[(size_t)y * (size_t)width + (size_t)x] =
                        p->gray[(size_t)(v + k) * (size_t)p->width + (size_t)(u + i)];
                }
        }
    return out;
}
