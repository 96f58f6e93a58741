/* light.c - the lamp over the bench, and what the subject does by itself. */
#include <math.h>

#include "sim/hash.h"
#include "sim/inside.h"

#define PI 3.141592653589793

double lamp_mean(const struct lamp *l, int64_t open_us, int64_t shut_us)
{
    double from = (double)open_us * 1e-6, to = (double)shut_us * 1e-6;
    double light = l->level * exp2(l->drift_stops_per_hour * from / 3600 +
                                   l->scatter_stops * hash_normal(l->seed, (uint64_t)open_us));
    if (l->ripple <= 0 || l->ripple_hz <= 0) return light;
    /* The mean of 1 + M sin(2 pi F t + phase), by its integral. */
    double turn = 2 * PI * l->ripple_hz;
    if (to - from < 1e-7) return light * (1 + l->ripple * sin(turn * from + l->ripple_phase));
    double swing =
        (cos(turn * from + l->ripple_phase) - cos(turn * to + l->ripple_phase)) / (turn * (to - from));
    return light * (1 + l->ripple * swing);
}

/* Sway: three slow sines that never repeat together; their amplitudes add up to sway_um. */
void sway_at(const struct sway *s, double t, double *x_um, double *y_um)
{
    static const double hz[3] = {0.31, 0.53, 0.87}, share[3] = {0.5, 0.3, 0.2};
    static const double hum_hz = 24.3; /* a motor in the room, felt through the floor; a guess */
    double x = 0, y = 0;
    for (int i = 0; i < 3; i++) {
        x += share[i] * sin(2 * PI * hz[i] * t + s->phase[i]);
        y += share[i] * sin(2 * PI * hz[i] * 1.13 * t + s->phase[3 + i]);
    }
    double hum = s->hum_um * sin(2 * PI * hum_hz * t + s->phase[6]);
    *x_um = s->sway_um * x + 0.8 * hum + s->drift_um_per_min * t / 60;
    *y_um = s->sway_um * 0.6 * y + 0.6 * hum;
}
