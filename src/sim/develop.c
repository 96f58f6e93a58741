/* develop.c - the sensor and the camera's picture style: photons, noise, the tone curve of IEC 61966-2-1
 * (sRGB).
 *
 * Noise of a pixel is a function of the shot's seed and the pixel's number, four lanes at a time. */
#include <math.h>

#include "sim/film.h"
#include "sim/hash.h"

#define FULL_WELL     32000.0f /* electrons at full scale and ISO 100: a good sensor with large pixels */
#define READ_NOISE    5.0f     /* electrons */
#define CURVE_ENTRIES 16384

static void make_curve(uint8_t curve[CURVE_ENTRIES])
{
    for (int i = 0; i < CURVE_ENTRIES; i++) {
        double x = (double)i / (CURVE_ENTRIES - 1);
        double y = x <= 0.0031308 ? 12.92 * x : 1.055 * pow(x, 1 / 2.4) - 0.055;
        curve[i] = (uint8_t)lrint(255 * y);
    }
}

static u4 mix4(u4 x)
{
    x ^= x >> 16;
    x *= (u4){0x85ebca6bu, 0x85ebca6bu, 0x85ebca6bu, 0x85ebca6bu};
    x ^= x >> 13;
    x *= (u4){0xc2b2ae35u, 0xc2b2ae35u, 0xc2b2ae35u, 0xc2b2ae35u};
    x ^= x >> 16;
    return x;
}

/* The sum of four bytes, brought to mean 0 and sigma 1. */
static v4 normal4(u4 h)
{
    const u4 even = {0x00ff00ffu, 0x00ff00ffu, 0x00ff00ffu, 0x00ff00ffu};
    u4 pairs = (h & even) + ((h >> 8) & even);
    i4 sum = (i4)((pairs & 0xffffu) + (pairs >> 16));
    return (__builtin_convertvector(sum, v4) - 510.0f) * v4_all(1 / 147.801f);
}

static v4 root4(v4 x)
{
    for (int i = 0; i < 4; i++)
        x[i] = sqrtf(x[i]);
    return x;
}

void develop(const struct world *w, const struct shot *s, const struct film *band, uint8_t *rgb)
{
    uint8_t curve[CURVE_ENTRIES];
    make_curve(curve);
    double gain = s->iso > 0 ? s->iso / 100 : 1, aperture = 1;
    if (s->f_number > 0 && w->lens.marked_f_number > 0)
        aperture = pow(w->lens.marked_f_number / s->f_number, 2);
    /* Electrons that make full scale, and those that a pixel of light 1 catches. */
    float full = FULL_WELL / (float)gain, catch_rate = FULL_WELL * (float)(s->light * aperture);
    float noise = (float)w->noise, read2 = READ_NOISE * READ_NOISE;
    float charge =
        FULL_WELL * (float)((double)s->exposure_us / (double)w->good_exposure_us); /* without light */
    float to_entry = (CURVE_ENTRIES - 1) / full;
    uint32_t seed = (uint32_t)hash_mix(w->seed, s->noise_seed);
    int32_t width = w->camera.width_px, height = w->camera.height_px;
    int32_t lit_from = (int32_t)lrint(s->lit_from * height),
            lit_to = s->lit_to > 0 ? (int32_t)lrint(s->lit_to * height) : height;
    for (int32_t y = band->at.y0; y < band->at.y1 && y < height; y++) {
        const v4 *from = film_at(band, 0, y);
        uint8_t *to = rgb + 3 * (size_t)y * (size_t)width;
        v4 rate = v4_all(y >= lit_from && y < lit_to ? catch_rate : 0);
        bool soiled = soil_on_row(w, y);
        for (int32_t x = 0; x < width; x++, to += 3) {
            uint32_t n = 4 * ((uint32_t)y * (uint32_t)width + (uint32_t)x);
            u4 h = mix4((u4){n, n + 1, n + 2, n + 3} + mix4((u4){seed, seed, seed, seed} ^ (n >> 24)));
            v4 e = v4_max(from[x] * rate, v4_all(0)), own;
            if (soiled) {
                e *= v4_all((float)soil_at(w, x, y, &own));
                e += own * v4_all(charge);
            }
            e += v4_all(noise) * root4(e + v4_all(read2)) * normal4(h);
            v4 entry =
                v4_min(v4_max(e * v4_all(to_entry), v4_all(0)), v4_all(CURVE_ENTRIES - 1)) + v4_all(0.5f);
            i4 i = __builtin_convertvector(entry, i4);
            to[0] = curve[i[0]];
            to[1] = curve[i[1]];
            to[2] = curve[i[2]];
        }
    }
}
