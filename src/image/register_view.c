/* register_view.c - the reduced, band-passed pictures that are registered.
 *
 * The reduced picture is taken back to linear light first (IEC 61966-2-1): blur happens there, and in code
 * values every edge seems to walk to its dark side as it gets less sharp.
 *
 * Band-pass: a binomial of variance 2 px^2 along each axis (close to a Gaussian of sigma 1.4 px), less that
 * picture averaged over 9 x 9 px. Light that changes slowly over the picture drops out, and so does nearly
 * everything above a quarter of the sampling frequency, so that six samples interpolate exactly enough. */
#include <math.h>
#include <string.h>

#include "base/mem.h"
#include "base/fast.h"
#include "image/register_part.h"

#define LONGER_LEAST   640 /* of level 0 */
#define SCALE_MOST     3
#define SMALLEST_LEVEL 128 /* no level below that on the longer side */
#define SIDE_LEAST     16
#define TAPS           9
#define REACH          4

int register_scale(int32_t width_px, int32_t height_px)
{
    const int32_t longer = width_px > height_px ? width_px : height_px,
                  shorter = width_px < height_px ? width_px : height_px;
    int scale = 0;
    while (scale < SCALE_MOST && longer >> (scale + 1) >= LONGER_LEAST &&
           shorter >> (scale + 1) >= SIDE_LEAST)
        scale++;
    return scale;
}

FAST static void take_bytes(const uint8_t *restrict bytes, float *restrict out, size_t count)
{
    for (size_t i = 0; i < count; i++)
        out[i] = (float)bytes[i];
}

FAST static void take_shares(const uint16_t *restrict shares, float *restrict out, size_t count)
{
    for (size_t i = 0; i < count; i++)
        out[i] = (float)shares[i] * (1.0f / 256);
}

static void take(const void *plane, const struct register_view *v, float *out)
{
    const size_t count = (size_t)v->level[0].width * (size_t)v->level[0].height;
    if (v->factor == 1)
        take_bytes(plane, out, count);
    else
        take_shares(plane, out, count);
}

/* Code values 0..255 to linear light 0..255; between whole codes by straight lines. */
FAST static void linearise(float *plane, size_t count)
{
    float curve[257];
    for (int i = 0; i < 257; i++) {
        const double v = i / 255.0;
        curve[i] = (float)(255 * (v <= 0.04045 ? v / 12.92 : pow((v + 0.055) / 1.055, 2.4)));
    }
    for (size_t i = 0; i < count; i++) {
        const int32_t code = (int32_t)plane[i];
        plane[i] = curve[code] + (plane[i] - (float)code) * (curve[code + 1] - curve[code]);
    }
}

FAST static void halve(const float *restrict from, int32_t from_width, float *restrict out, int32_t width,
                       int32_t height)
{
    for (int32_t y = 0; y < height; y++) {
        const float *a = from + 2 * (size_t)y * (size_t)from_width, *b = a + from_width;
        for (int32_t x = 0; x < width; x++)
            out[(size_t)y * (size_t)width + (size_t)x] =
                0.25f * (a[2 * x] + a[2 * x + 1] + b[2 * x] + b[2 * x + 1]);
    }
}

struct filter_rows {
    float *padded; /* width + 2 * REACH */
    float *across; /* a plane, filtered along x */
};

static int32_t inside(int32_t at, int32_t count)
{
    return at < 0 ? 0 : at >= count ? count - 1 : at;
}

/* One symmetric filter of nine taps along x and along y; the border repeats. `tap[0]` is the middle. */
FAST static void filter(const float *from, float *out, int32_t width, int32_t height,
                        const float tap[REACH + 1], struct filter_rows *work)
{
    const float t0 = tap[0], t1 = tap[1], t2 = tap[2], t3 = tap[3], t4 = tap[4];
    const size_t w = (size_t)width;
    for (int32_t y = 0; y < height; y++) {
        const float *row = from + (size_t)y * w;
        float *restrict padded = work->padded, *restrict to = work->across + (size_t)y * w;
        for (int i = 0; i < REACH; i++) {
            padded[i] = row[0];
            padded[w + REACH + (size_t)i] = row[w - 1];
        }
        memcpy(padded + REACH, row, w * sizeof *row);
        for (size_t x = 0; x < w; x++) {
            const float *p = padded + x;
            to[x] =
                t0 * p[4] + t1 * (p[3] + p[5]) + t2 * (p[2] + p[6]) + t3 * (p[1] + p[7]) + t4 * (p[0] + p[8]);
        }
    }
    for (int32_t y = 0; y < height; y++) {
        const float *p[TAPS];
        for (int i = 0; i < TAPS; i++)
            p[i] = work->across + (size_t)inside(y + i - REACH, height) * w;
        float *restrict to = out + (size_t)y * w;
        for (size_t x = 0; x < w; x++)
            to[x] = t0 * p[4][x] + t1 * (p[3][x] + p[5][x]) + t2 * (p[2][x] + p[6][x]) +
                    t3 * (p[1][x] + p[7][x]) + t4 * (p[0][x] + p[8][x]);
    }
}

static void band_pass(const float *from, float *out, int32_t width, int32_t height, float *wide,
                      struct filter_rows *work)
{
    static const float narrow_tap[] = {70 / 256.f, 56 / 256.f, 28 / 256.f, 8 / 256.f, 1 / 256.f};
    static const float wide_tap[] = {1 / 9.f, 1 / 9.f, 1 / 9.f, 1 / 9.f, 1 / 9.f};
    filter(from, out, width, height, narrow_tap, work);
    filter(out, wide, width, height, wide_tap, work);
    const size_t n = (size_t)width * (size_t)height;
    for (size_t i = 0; i < n; i++)
        out[i] -= wide[i];
}

static void set_sizes(struct register_view *v)
{
    int32_t w = v->full_width / v->factor, h = v->full_height / v->factor;
    do {
        v->level[v->levels++] = (struct view_level){.width = w, .height = h};
        w /= 2;
        h /= 2;
    } while (v->levels < VIEW_LEVELS_MOST && (w > h ? w : h) >= SMALLEST_LEVEL &&
             (w < h ? w : h) >= SIDE_LEAST);
}

static int make_planes(struct register_view *v, struct err *why)
{
    for (int i = 0; i < v->levels; i++) {
        const size_t n = (size_t)v->level[i].width * (size_t)v->level[i].height;
        if (!(v->level[i].plane = mem_new(n, sizeof(float), why))) return E_NOMEM;
    }
    return E_OK;
}

static void fill(struct register_space *s, struct register_view *v, const void *plane)
{
    float *plain = s->a, *next = s->b;
    struct filter_rows work = {.padded = s->row, .across = s->c};
    take(plane, v, plain);
    linearise(plain, (size_t)v->level[0].width * (size_t)v->level[0].height);
    for (int i = 0; i < v->levels; i++) {
        const struct view_level *l = &v->level[i];
        band_pass(plain, l->plane, l->width, l->height, s->d, &work);
        if (i + 1 < v->levels) halve(plain, l->width, next, v->level[i + 1].width, v->level[i + 1].height);
        float *swap = plain;
        plain = next;
        next = swap;
    }
}

struct register_view *register_view_new(struct register_space *s, int32_t width_px, int32_t height_px,
                                        const void *plane, struct err *why)
{
    if (width_px < SIDE_LEAST || height_px < SIDE_LEAST) {
        fail(why, E_INPUT, "%d x %d pixels are too few to register; give larger pictures", (int)width_px,
             (int)height_px);
        return NULL;
    }
    struct register_view *v = mem_new(1, sizeof *v, why);
    if (!v) return NULL;
    v->full_width = width_px;
    v->full_height = height_px;
    v->factor = 1 << register_scale(width_px, height_px);
    set_sizes(v);
    if (register_make_room(s, v->level[0].width, v->level[0].height, why) || make_planes(v, why)) {
        register_view_free(v);
        return NULL;
    }
    fill(s, v, plane);
    return v;
}

void register_view_free(struct register_view *v)
{
    for (int i = 0; v && i < VIEW_LEVELS_MOST; i++)
        mem_free(v->level[i].plane);
    mem_free(v);
}
