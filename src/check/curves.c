#include "check/curves.h"

#include <math.h>

#include "base/mem.h"
#include "image/peaks.h"

/* A curve stands out when its rise is this many times its jitter and this many times its lowest value. With
 * 800 tiles of 30 frames of pure noise the largest rise is about 7 sigma (extremes of a Gaussian, twice 3.5).
 */
#define RISE_JITTERS 9.0
#define RISE_RATIO   1.35

/* A peak counts when it rises from its saddle by this many jitters, ... */
#define PEAK_JITTERS 6.0
/* ... by this much in ln (a quarter: what neighbours at a depth edge do to a curve stays below) ... */
#define PEAK_LOG 0.25
/* ... and is no side lobe: the defocused disc of a strong edge has them up to 2 % (first ring of (2
 * J1(x)/x)^2; Born and Wolf 8.5, from memory), and a neighbour's blur leaks as much again. */
#define PEAK_SHARE 0.05

static void seen_range(const struct tiles *t, int32_t tile, struct tile_curve *c)
{
    const float *mean = &t->mean[(size_t)tile * (size_t)t->frames];
    c->first = 0;
    c->last = t->frames - 1;
    while (c->first < c->last && isnan(mean[c->first]))
        c->first++;
    while (c->last > c->first && isnan(mean[c->last]))
        c->last--;
}

static bool stands_out(const struct tiles *t, int scale, int32_t tile, const struct tile_curve *c)
{
    double least = INFINITY, most = 0;
    for (int32_t i = c->first; i <= c->last; i++) {
        const double v = tiles_signal(t, scale, tile, i);
        if (isnan(v)) continue;
        least = fmin(least, v);
        most = fmax(most, v);
    }
    return most - least > RISE_JITTERS * (double)t->jitter[scale][tile] && most > RISE_RATIO * least;
}

static double peak_confidence(double rise, double jitter)
{
    return 1 - exp(-rise / (2 * PEAK_JITTERS * jitter));
}

static void find_peaks(const struct tiles *t, int32_t tile, struct tile_curve *c, double *room)
{
    enum { CANDIDATES = 16 };
    struct peak found[CANDIDATES];
    const int32_t n = c->last - c->first + 1;
    for (int32_t i = 0; i < n; i++)
        room[i] = tiles_signal(t, c->scale, tile, c->first + i);
    const int32_t count = peaks_find(room, n, PEAK_LOG, found, CANDIDATES);
    const double jitter = (double)t->jitter[c->scale][tile];
    for (int32_t i = 0; i < count && c->peak_count < PEAKS_MOST; i++) {
        const double rise = found[i].value * (1 - exp(-found[i].prominence));
        if (rise < PEAK_JITTERS * jitter || found[i].value < PEAK_SHARE * found[0].value) continue;
        c->peak[c->peak_count++] = (struct tile_peak){.at = c->first + found[i].at,
                                                      .height = found[i].value,
                                                      .confidence = peak_confidence(rise, jitter)};
    }
}

int curves_find(const struct tiles *t, struct tile_curve *curves, struct err *why)
{
    double *room = mem_new((size_t)t->frames, sizeof *room, why);
    if (!room) return E_NOMEM;
    for (int32_t tile = 0; tile < t->count; tile++) {
        struct tile_curve *c = &curves[tile];
        *c = (struct tile_curve){.scale = -1};
        seen_range(t, tile, c);
        if (!t->inside[tile]) continue;
        for (int k = 0; k < MEASURE_SCALES && c->peak_count == 0; k++) {
            if (!stands_out(t, k, tile, c)) continue;
            c->scale = k;
            find_peaks(t, tile, c, room);
        }
    }
    mem_free(room);
    return E_OK;
}
