/* The spectrum of the whole picture: local peaks that stand out of what surrounds them, and the
 * strongest tone of the direction of each. */
#include <complex.h>
#include <fftw3.h>
#include <math.h>
#include <stdbool.h>
#include <string.h>

#include "base/mem.h"
#include "image/ruler_part.h"
#include "image/spectrum_lock.h"

#define CANDIDATES    48
#define BINS_LEAST    2.5 /* what is lower is no tone of its own */
#define CENTRED_SHARE 0.1 /* of the mean power around the top; weaker ones do not count */
#define LOWEST_SHARE  0.3 /* of the power; the tones of fifths and tenths have a sixteenth at most */
#define ASIDE         2   /* bins around a direction */
/* The power of white noise in a bin is exponential: of a million bins the largest has about 14 times the
 * mean, 20 times the median. Textures of photographs are less even. */
#define STANDS_OUT 60.0

struct spectrum {
    int32_t w, h, half; /* half = w / 2 + 1 */
    float *power;       /* [h x half] */
};

struct peak_2d {
    double fx, fy, power;
};

static int transform(const struct ruler_plane *p, struct spectrum *s, struct err *why)
{
    const size_t n = (size_t)p->w * (size_t)p->h, m = (size_t)s->half * (size_t)p->h;
    float *in = fftwf_malloc(n * sizeof *in);
    float complex *out = fftwf_malloc(m * sizeof *out);
    fftwf_plan plan = NULL;
    spectrum_lock();
    if (in && out) plan = fftwf_plan_dft_r2c_2d(p->h, p->w, in, out, FFTW_ESTIMATE);
    spectrum_unlock();
    if (plan) {
        for (int32_t y = 0; y < p->h; y++)
            for (int32_t x = 0; x < p->w; x++) {
                const double window = sin(M_PI * (x + 0.5) / p->w) * sin(M_PI * (y + 0.5) / p->h);
                in[y * p->w + x] = p->value[y * p->w + x] * (float)(window * window); /* Hann */
            }
        fftwf_execute(plan);
        for (size_t i = 0; i < m; i++)
            s->power[i] = crealf(out[i]) * crealf(out[i]) + cimagf(out[i]) * cimagf(out[i]);
        spectrum_lock();
        fftwf_destroy_plan(plan);
        spectrum_unlock();
    }
    fftwf_free(in);
    fftwf_free(out);
    return plan ? E_OK : fail(why, E_NOMEM, "no memory for the spectrum of the ruler; close other programs");
}

/* Power at whole bins kx, ky, either half. */
static double at(const struct spectrum *s, int32_t kx, int32_t ky)
{
    if (kx < 0) {
        kx = -kx;
        ky = -ky;
    }
    if (kx >= s->half) return 0;
    ky %= s->h;
    return (double)s->power[(ky < 0 ? ky + s->h : ky) * s->half + kx];
}

/* A tone's power is spread over some bins: by the window, and where the ruler is tilted. */
static double around(const struct spectrum *s, int32_t kx, int32_t ky)
{
    double sum = 0;
    for (int32_t dy = -1; dy <= 1; dy++)
        for (int32_t dx = -1; dx <= 1; dx++)
            sum += at(s, kx + dx, ky + dy);
    return sum;
}

/* The middle of the ring around a bin; a quarter of it is enough. */
static double background(const struct spectrum *s, int32_t kx, int32_t ky)
{
    double ring[64] = {0};
    int n = 0;
    for (int32_t dy = -8; dy <= 8; dy += 2)
        for (int32_t dx = -8; dx <= 8; dx += 2) {
            if (dx * dx + dy * dy < 30 || n == 64) continue;
            double v = at(s, kx + dx, ky + dy);
            int i = n++;
            for (; i > 0 && ring[i - 1] > v; i--)
                ring[i] = ring[i - 1];
            ring[i] = v;
        }
    return ring[n / 2];
}

static bool is_top(const struct spectrum *s, int32_t kx, int32_t ky)
{
    const double v = at(s, kx, ky);
    for (int32_t dy = -2; dy <= 2; dy++)
        for (int32_t dx = -2; dx <= 2; dx++)
            if ((dx || dy) && at(s, kx + dx, ky + dy) > v) return false;
    return v > 0;
}

static bool is_tone(const struct spectrum *s, int32_t kx, int32_t ky)
{
    return is_top(s, kx, ky) && at(s, kx, ky) > STANDS_OUT * background(s, kx, ky);
}

static void keep(struct peak_2d *peaks, int *count, struct peak_2d p)
{
    int i = *count < CANDIDATES ? (*count)++ : CANDIDATES;
    for (; i > 0 && peaks[i - 1].power < p.power; i--)
        if (i < CANDIDATES) peaks[i] = peaks[i - 1];
    if (i < CANDIDATES) peaks[i] = p;
}

/* Tops, the power times the frequency: that of light and edges falls faster, that of thin marks does not. */
static int find_peaks(const struct spectrum *s, struct peak_2d *peaks)
{
    int count = 0;
    for (int32_t ky = -s->h / 2 + 1; ky < s->h / 2; ky++)
        for (int32_t kx = 0; kx < s->half - 1; kx++) {
            const double fx = (double)kx / s->w, fy = (double)ky / s->h, f = hypot(fx, fy);
            if (hypot(kx, ky) < RULER_PERIODS_LEAST - 1 || f > 0.48) continue;
            const double weight = at(s, kx, ky) * f;
            if (count == CANDIDATES && weight <= peaks[count - 1].power) continue;
            if (!is_tone(s, kx, ky)) continue;
            keep(peaks, &count, (struct peak_2d){fx, fy, weight});
        }
    return count;
}

/* The strongest tone of that direction. Of evenly spaced marks it is their own: harmonics are weaker (by a
 * sinc, for bars that are narrower than their distance), and so are the tones of longer fifths and tenths: at
 * most a quarter where a tenth mark is three times as long as an ordinary one. */
static struct peak_2d strongest(const struct spectrum *s, struct peak_2d p)
{
    const double f = hypot(p.fx, p.fy), ux = p.fx / f, uy = p.fy / f,
                 step = 0.5 / (s->w > s->h ? s->w : s->h);
    struct peak_2d best = {p.fx, p.fy, 0};
    for (int32_t i = 1; i * step < 0.48; i++) {
        const double r = i * step;
        const int32_t cx = (int32_t)lround(r * ux * s->w), cy = (int32_t)lround(r * uy * s->h);
        for (int32_t ky = cy - ASIDE; ky <= cy + ASIDE; ky++)
            for (int32_t kx = cx - ASIDE; kx <= cx + ASIDE; kx++) {
                const double power = around(s, kx, ky);
                if (hypot(kx, ky) < BINS_LEAST || power <= best.power || !is_tone(s, kx, ky)) continue;
                best = (struct peak_2d){(double)kx / s->w, (double)ky / s->h, power};
            }
    }
    return best;
}

/* Within ten degrees: marks that are short on a long picture have a broad tone. */
static bool same_way(struct peak_2d a, struct peak_2d b)
{
    return fabs(a.fx * b.fy - a.fy * b.fx) < 0.17 * hypot(a.fx, a.fy) * hypot(b.fx, b.fy);
}

static double weight(struct peak_2d p)
{
    return p.power * (p.fx * p.fx + p.fy * p.fy);
}

/* The tone of short marks is broad across the ruler, with tops beside its middle: its direction is that of
 * the middle of its power (mean shift), its length what the top has in that direction. */
static struct ruler_tone centred(const struct spectrum *s, struct peak_2d top)
{
    const double reach = 0.2 * hypot(top.fx, top.fy);
    const int32_t rx = (int32_t)(reach * s->w) + 1, ry = (int32_t)(reach * s->h) + 1;
    double cx = top.fx, cy = top.fy;
    for (int again = 0; again < 6; again++) {
        const int32_t kx0 = (int32_t)lround(cx * s->w), ky0 = (int32_t)lround(cy * s->h);
        double sx = 0, sy = 0, sum = 0;
        for (int32_t ky = ky0 - ry; ky <= ky0 + ry; ky++)
            for (int32_t kx = kx0 - rx; kx <= kx0 + rx; kx++) {
                const double fx = (double)kx / s->w, fy = (double)ky / s->h;
                const double over = at(s, kx, ky) - CENTRED_SHARE * top.power / 9;
                if (over <= 0 || hypot(fx - cx, fy - cy) > reach) continue;
                sx += over * fx, sy += over * fy, sum += over;
            }
        if (sum <= 0) break;
        cx = sx / sum, cy = sy / sum;
    }
    const double c = hypot(cx, cy), along = (top.fx * cx + top.fy * cy) / c;
    return (struct ruler_tone){along * cx / c, along * cy / c};
}

/* Power of the whole tone. */
static double whole_power(const struct spectrum *s, struct ruler_tone tone)
{
    const double reach = 0.1 * hypot(tone.fx, tone.fy);
    const int32_t kx0 = (int32_t)lround(tone.fx * s->w), ky0 = (int32_t)lround(tone.fy * s->h);
    const int32_t rx = (int32_t)(reach * s->w) + 1, ry = (int32_t)(reach * s->h) + 1;
    double sum = 0;
    for (int32_t ky = ky0 - ry; ky <= ky0 + ry; ky++)
        for (int32_t kx = kx0 - rx; kx <= kx0 + rx; kx++)
            sum += at(s, kx, ky);
    return sum;
}

static bool tone_near(const struct spectrum *s, struct ruler_tone tone)
{
    const int32_t kx0 = (int32_t)lround(tone.fx * s->w), ky0 = (int32_t)lround(tone.fy * s->h);
    for (int32_t ky = ky0 - ASIDE; ky <= ky0 + ASIDE; ky++)
        for (int32_t kx = kx0 - ASIDE; kx <= kx0 + ASIDE; kx++)
            if (is_tone(s, kx, ky)) return true;
    return false;
}

/* Of thin marks the second and third harmonic are nearly as strong as their own tone, and may seem stronger.
 */
static struct ruler_tone lowest(const struct spectrum *s, struct ruler_tone tone)
{
    for (int part = 3; part > 1; part--) {
        const struct ruler_tone low = {tone.fx / part, tone.fy / part};
        const double bins = hypot(low.fx * s->w, low.fy * s->h);
        const double share = bins < RULER_PERIODS_LEAST ? 2 * LOWEST_SHARE : LOWEST_SHARE;
        if (bins >= BINS_LEAST && tone_near(s, low) && whole_power(s, low) > share * whole_power(s, tone))
            return low;
    }
    return tone;
}

/* The marks' tone of each direction that has one, the best direction first. */
static int choose(const struct spectrum *s, const struct peak_2d *peaks, int count, struct ruler_tone *out)
{
    struct peak_2d tones[CANDIDATES];
    int found = 0;
    for (int i = 0; i < count; i++)
        tones[i] = strongest(s, peaks[i]);
    while (count && found < RULER_TONES_MOST) {
        struct peak_2d best = tones[0], own;
        for (int i = 1; i < count; i++)
            if (weight(tones[i]) > weight(best)) best = tones[i];
        if (best.power <= 0) break;
        own = best;
        for (int i = 0; i < count; i++) {
            if (!same_way(best, tones[i])) continue;
            if (tones[i].power > own.power) own = tones[i];
            tones[i].power = 0;
        }
        out[found++] = lowest(s, centred(s, own));
    }
    return found;
}

int ruler_find(const struct ruler_plane *p, struct ruler_tone out[RULER_TONES_MOST], int *count_out,
               struct err *why)
{
    struct spectrum s = {.w = p->w, .h = p->h, .half = p->w / 2 + 1};
    struct peak_2d peaks[CANDIDATES];
    s.power = mem_new((size_t)s.half * (size_t)s.h, sizeof *s.power, why);
    if (!s.power) return E_NOMEM;
    int rc = transform(p, &s, why);
    if (!rc) *count_out = choose(&s, peaks, find_peaks(&s, peaks), out);
    if (!rc && !*count_out)
        rc = fail(why, E_INPUT,
                  "no marks at even distances are to be seen; let the ruler fill the picture, in focus, and "
                  "evenly lit");
    mem_free(s.power);
    return rc;
}
