#include "image/focus_profile.h"

#include <math.h>

#include "base/mem.h"
#include "image/decode.h"

#define LEAST_PX 48
#define STEPS    100  /* of one search */
#define FLOOR    1e-6 /* of the energy: below it is nothing but noise (guess) */

/* ---- one picture */

static double luma(const struct image_rgb *p, int32_t x, int32_t y)
{
    const uint8_t *c = p->rgb + 3 * ((size_t)y * (size_t)p->width_px + (size_t)x);
    return 0.299 * c[0] + 0.587 * c[1] + 0.114 * c[2];
}

static double tile_energy(const struct image_rgb *p, int32_t col, int32_t row)
{
    int32_t x0 = p->width_px * col / PROFILE_COLS, x1 = p->width_px * (col + 1) / PROFILE_COLS;
    int32_t y0 = p->height_px * row / PROFILE_ROWS, y1 = p->height_px * (row + 1) / PROFILE_ROWS;
    double squares = 0, sum = 0;
    int64_t n = 0;
    if (x0 < 1) x0 = 1;
    if (y0 < 1) y0 = 1;
    if (x1 > p->width_px - 1) x1 = p->width_px - 1;
    if (y1 > p->height_px - 1) y1 = p->height_px - 1;
    for (int32_t y = y0; y < y1; y++)
        for (int32_t x = x0; x < x1; x++, n++) {
            const double c = luma(p, x, y);
            const double l =
                luma(p, x - 1, y) + luma(p, x + 1, y) + luma(p, x, y - 1) + luma(p, x, y + 1) - 4 * c;
            squares += l * l;
            sum += c;
        }
    const double mean = n ? sum / (double)n + 1 : 1;
    return n ? squares / (double)n / (mean * mean) : 0;
}

int focus_profile_make(const char *name, const uint8_t *bytes, size_t count, int32_t most_px,
                       struct focus_profile *out, struct err *why)
{
    struct image_rgb p = {0};
    int rc =
        image_decode_rgb(name, bytes, count, most_px < PROFILE_MOST_PX ? most_px : PROFILE_MOST_PX, &p, why);
    if (rc) return rc;
    out->longer_px = p.width_px > p.height_px ? p.width_px : p.height_px;
    if (p.width_px < LEAST_PX || p.height_px < LEAST_PX)
        rc = fail(why, E_INPUT, "%.100s: a picture of %d x %d px is too small to find the focus in", name,
                  (int)p.width_px, (int)p.height_px);
    for (int32_t i = 0; !rc && i < PROFILE_TILES; i++)
        out->log_energy[i] = log(tile_energy(&p, i % PROFILE_COLS, i / PROFILE_COLS) + FLOOR);
    image_rgb_clear(&p);
    return rc;
}

/* ---- many */

/* What sets `p` apart from the mean of all, without what is the same in every tile: a live picture is
 * sharpened, and lit, in another way. */
static void set_apart(const struct focus_profile *p, const double *mean, double *out)
{
    double sum = 0;
    for (int i = 0; i < PROFILE_TILES; i++)
        sum += out[i] = p->log_energy[i] - mean[i];
    for (int i = 0; i < PROFILE_TILES; i++)
        out[i] -= sum / PROFILE_TILES;
}

static double correlation(const double *a, const double *b)
{
    double aa = 0, bb = 0, ab = 0;
    for (int i = 0; i < PROFILE_TILES; i++) {
        aa += a[i] * a[i];
        bb += b[i] * b[i];
        ab += a[i] * b[i];
    }
    return aa > 0 && bb > 0 ? ab / sqrt(aa * bb) : 0;
}

/* ---- between them: the log of a tile's energy goes with the square of its defocus as long as blur is about
 * gaussian, so through three places of a tile a parabola is laid. */

struct three {
    const struct focus_profile *p; /* three in a row */
    const double *at;
};

static void between(const struct three *t, double at, struct focus_profile *out)
{
    const double *x = t->at;
    const double a = (at - x[1]) * (at - x[2]) / ((x[0] - x[1]) * (x[0] - x[2]));
    const double b = (at - x[0]) * (at - x[2]) / ((x[1] - x[0]) * (x[1] - x[2]));
    const double c = (at - x[0]) * (at - x[1]) / ((x[2] - x[0]) * (x[2] - x[1]));
    for (int i = 0; i < PROFILE_TILES; i++)
        out->log_energy[i] =
            a * t->p[0].log_energy[i] + b * t->p[1].log_energy[i] + c * t->p[2].log_energy[i];
}

static double square_distance(const double *a, const double *b)
{
    double sum = 0;
    for (int i = 0; i < PROFILE_TILES; i++)
        sum += (a[i] - b[i]) * (a[i] - b[i]);
    return sum;
}

struct best {
    double distance, at, trust;
};

static void search(const struct three *t, double from, double to, const double *mean, const double *of_p,
                   struct best *best)
{
    struct focus_profile model;
    double apart[PROFILE_TILES];
    for (int step = 0; step <= STEPS; step++) {
        const double at = from + (to - from) * step / STEPS;
        between(t, at, &model);
        set_apart(&model, mean, apart);
        const double distance = square_distance(of_p, apart);
        if (distance >= best->distance) continue;
        *best = (struct best){distance, at, correlation(of_p, apart)};
    }
}

int focus_profile_place(const struct focus_profile *known, const double *at, int32_t count,
                        const struct focus_profile *p, double *at_out, double *trust_out, struct err *why)
{
    double mean[PROFILE_TILES] = {0}, of_p[PROFILE_TILES];
    struct best best = {.distance = INFINITY};
    if (count < 3) return fail(why, E_INPUT, "fewer than three frames to find the place of focus by");
    for (int32_t k = 0; k < count; k++)
        for (int i = 0; i < PROFILE_TILES; i++)
            mean[i] += known[k].log_energy[i] / count;
    set_apart(p, mean, of_p);
    for (int32_t k = 1; k < count - 1; k++) {
        const struct three t = {known + k - 1, at + k - 1};
        const double from = k == 1 ? 2 * t.at[0] - t.at[1] : (t.at[0] + t.at[1]) / 2;
        const double to = k == count - 2 ? 2 * t.at[2] - t.at[1] : (t.at[1] + t.at[2]) / 2;
        search(&t, from, to, mean, of_p, &best);
    }
    *at_out = best.at;
    *trust_out = best.trust;
    return E_OK;
}
