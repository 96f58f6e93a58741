#include "tests/support/ruler_picture.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#include "tests/support/chance.h"

enum { SUB = 4 };

static double gaussian(uint64_t *state)
{
    const double u = ((double)(chance_mix(state) >> 11) + 0.5) / 9007199254740992.0;
    const double v = (double)(chance_mix(state) >> 11) / 9007199254740992.0;
    return sqrt(-2 * log(u)) * cos(2 * M_PI * v);
}

/* A point of the picture in periods along (s) and across (t) the ruler. A plane seen aslant: x = s / (1 + g
 * s). */
static void on_ruler(const struct ruler_drawn *d, double x, double y, double *s, double *t)
{
    const double c = cos(d->angle_deg * M_PI / 180), n = sin(d->angle_deg * M_PI / 180);
    const double along = (c * x + n * y) / d->period_px, across = (-n * x + c * y - d->offset) / d->period_px;
    const double g = d->tilt * d->period_px / d->w / 2, k = d->keystone * d->period_px / d->w;
    const double bottom = 1 - g * along - k * across; /* of the plane's inverse map */
    *s = along / bottom;
    *t = across / bottom;
}

static bool dark(const struct ruler_drawn *d, double s, double t)
{
    static const double usual[3] = {4, 5, 6};
    const double *l = d->length[0] > 0 ? d->length : usual;
    const double mark = round(s);
    const long n = (long)mark;
    const double length = n % 10 == 0 ? l[2] : n % 5 == 0 ? l[1] : l[0];
    return fabs(s - mark) < (d->mark > 0 ? d->mark : 0.2) / 2 && t > -3 && t < length - 3;
}

static void blur(float *a, int32_t count, int32_t step, const double *kernel, int32_t r, float *room)
{
    for (int32_t i = 0; i < count; i++) {
        double sum = 0;
        for (int32_t k = -r; k <= r; k++) {
            const int32_t j = i + k < 0 ? 0 : i + k >= count ? count - 1 : i + k;
            sum += kernel[abs(k)] * (double)a[j * step];
        }
        room[i] = (float)sum;
    }
    for (int32_t i = 0; i < count; i++)
        a[i * step] = room[i];
}

static void blur_all(float *a, const struct ruler_drawn *d)
{
    double kernel[64] = {1}, sum = 1;
    const int32_t r = (int32_t)fmin(ceil(3.5 * d->blur_px), 63);
    float *room = malloc((size_t)(d->w + d->h) * sizeof *room);
    for (int32_t k = 1; k <= r; k++)
        sum += 2 * (kernel[k] = exp(-k * k / (2 * d->blur_px * d->blur_px)));
    for (int32_t k = 0; k <= r; k++)
        kernel[k] /= sum;
    for (int32_t y = 0; y < d->h && r; y++)
        blur(a + y * d->w, d->w, 1, kernel, r, room);
    for (int32_t x = 0; x < d->w && r; x++)
        blur(a + x, d->h, d->w, kernel, r, room);
    free(room);
}

uint8_t *ruler_draw(const struct ruler_drawn *d)
{
    const size_t count = (size_t)d->w * (size_t)d->h;
    float *a = malloc(count * sizeof *a);
    uint8_t *out = malloc(count);
    uint64_t seed = d->seed;
    for (int32_t y = 0; y < d->h; y++)
        for (int32_t x = 0; x < d->w; x++) {
            int n = 0;
            double s, t;
            on_ruler(d, x - d->w / 2.0, y - d->h / 2.0, &s, &t);
            for (int k = 0; k < SUB * SUB && t > -4 && t < 8; k++) {
                const int row = k / SUB;
                on_ruler(d, x + (k % SUB + 0.5) / SUB - d->w / 2.0, y + (row + 0.5) / SUB - d->h / 2.0, &s,
                         &t);
                n += dark(d, s, t);
            }
            /* light falls off to the right */
            a[y * d->w + x] = (float)((210 - 160.0 * n / (SUB * SUB)) * (1 - 0.25 * x / d->w));
        }
    blur_all(a, d);
    for (size_t i = 0; i < count; i++) {
        const double v = (double)a[i] + d->noise * gaussian(&seed);
        out[i] = (uint8_t)(v < 0 ? 0 : v > 255 ? 255 : lround(v));
    }
    free(a);
    return out;
}
