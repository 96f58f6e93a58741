#include "plan/residual.h"

#include <complex.h>
#include <math.h>

#define TWO_PI 6.283185307179586
#define WHOLE  65536 /* of phase: one step */
#define HALF   32768
#define TRIES  8 /* frequencies that are tried on either side of the middle */

/* What one edge leaves after t seconds is exp(root t), but for a factor that is the same for all. */
static double complex root_of(double hz, double zeta)
{
    const double wn = TWO_PI * hz;
    return -zeta * wn + wn * sqrt(1 - zeta * zeta) * I;
}

/* Edges that have gone out when `phase` 1/65536 steps have gone by. */
static int64_t edges_at(int64_t phase)
{
    return (phase + HALF) / WHOLE;
}

double residual_length_s(const struct plan_slot *slots, int count, int64_t counts)
{
    int64_t phase = 0;
    double at_s = 0;
    for (int i = 0; i < count; i++) {
        const int64_t after = phase + slots[i].share * counts;
        const double slot_s = (double)slots[i].us * 1e-6;
        if (edges_at(after) == counts)
            return at_s + slot_s * (double)((counts - 1) * WHOLE + HALF - phase) / (double)(after - phase);
        phase = after;
        at_s += slot_s;
    }
    return at_s;
}

/* n edges, the first one `before_s` before the end, `every_s` apart. */
static double complex series(double complex root, double before_s, double every_s, int64_t n)
{
    const double complex ratio = cexp(-root * every_s);
    const double complex sum =
        cabs(1 - ratio) < 1e-9 ? (double)n : (1 - cexp(-root * every_s * (double)n)) / (1 - ratio);
    return cexp(root * before_s) * sum;
}

double residual_of_slots(const struct plan_slot *slots, int count, int64_t counts, double count_nm, double hz,
                         double zeta)
{
    const double complex root = root_of(hz, zeta);
    const double end_s = residual_length_s(slots, count, counts);
    double complex sum = 0;
    double at_s = 0;
    int64_t phase = 0;
    for (int i = 0; i < count; i++) {
        const int64_t after = phase + slots[i].share * counts;
        const double slot_s = (double)slots[i].us * 1e-6;
        const int64_t first = edges_at(phase), n = edges_at(after) - first;
        if (n > 0) {
            const double per_phase_s = slot_s / (double)(after - phase);
            const double first_s = at_s + (double)(first * WHOLE + HALF - phase) * per_phase_s;
            sum += series(root, end_s - first_s, WHOLE * per_phase_s, n);
        }
        phase = after;
        at_s += slot_s;
    }
    return count_nm * cabs(sum) / sqrt(1 - zeta * zeta);
}

/* Keeps the worse of both. */
static void worsen(struct residual *worst, const struct residual_move *m, double hz, double zeta, double nm)
{
    const double over = nm / (double)m->budget_nm;
    worst->nm = fmax(worst->nm, nm);
    if (over > 1) worst->wait_s = fmax(worst->wait_s, log(over) / (zeta * TWO_PI * hz));
}

/* The ring that is tried as number i of 3 (2 TRIES + 1). */
static struct plan_ring tried(const struct plan_ring *ring, int i)
{
    const int step = i / 3 - TRIES;
    const double at = (double)step / TRIES, damp = i % 3 - 1;
    return (struct plan_ring){.hz = ring->hz * (1 + ring->share * at),
                              .zeta = ring->zeta * (1 + ring->share * damp)};
}

struct residual residual_worst_of_slots(const struct residual_move *m, const struct plan_slot *slots,
                                        int count, int64_t counts)
{
    struct residual worst = {0, 0};
    for (int i = 0; i < 3 * (2 * TRIES + 1); i++) {
        const struct plan_ring r = tried(&m->ring, i);
        worsen(&worst, m, r.hz, r.zeta, residual_of_slots(slots, count, counts, m->count_nm, r.hz, r.zeta));
    }
    return worst;
}

/* Steady acceleration for `length_s` leaves |1 - exp(root length)| a / w^2 behind; speed that is gained has
 * no other part in it. */
static double pulse(double complex root, double accel, double length_s)
{
    return accel * cabs(1 - cexp(root * length_s)) / (cabs(root) * cabs(root));
}

/* The share of it that is left when it is spread evenly over a time. */
static double spread(double complex root, double over_s)
{
    return over_s > 0 ? cabs(1 - cexp(root * over_s)) / (cabs(root) * over_s) : 1;
}

struct residual residual_worst_of_ramp(const struct residual_move *m, const struct residual_ramp *ramp,
                                       int64_t counts)
{
    const double speed = ramp->speed_counts_per_s, accel = ramp->accel_counts_per_s2;
    struct residual worst = {0, 0};
    const double whole_s = speed / accel;
    const double ramp_s = counts ? fmin(whole_s, sqrt((double)counts / accel)) : whole_s;
    const double cruise_s = counts ? fmax(0, (double)counts / speed - whole_s) : 0;
    for (int i = 0; i < 3 * (2 * TRIES + 1); i++) {
        const struct plan_ring r = tried(&m->ring, i);
        const double complex root = root_of(r.hz, r.zeta);
        double up = pulse(root, accel, ramp_s);
        if (!counts) up = fmax(up, 2 * accel / (cabs(root) * cabs(root))); /* a shorter ramp may be worse */
        up *= spread(root, ramp->smooth_s);
        const double nm = up * (1 + exp(-r.zeta * TWO_PI * r.hz * (ramp_s + cruise_s))) + 1; /* counts */
        worsen(&worst, m, r.hz, r.zeta, nm * m->count_nm / sqrt(1 - r.zeta * r.zeta));
    }
    return worst;
}
