/* residual.h - how much a move leaves ringing behind.
 *
 * What stands on the rail is one mass on a spring and a damper, its base the carriage. An edge moves the base
 * by one count at once, and what rings after it is a decaying sine of amplitude count / sqrt(1 - zeta^2). So
 * a move leaves the sum of one such sine per edge; edges at one rate make a geometric series, so a slot costs
 * the same however many edges it has. shape   slots as the controller takes them: edges lie where a whole
 * number of steps and a half has gone by units   nm zero-to-peak, of the mass against the carriage, at the
 * last edge errors  pure; the ring's hz above 0, its zeta below 1 source  superposition of free oscillations:
 * Rao, Mechanical Vibrations, ch. 2 and 4 (from memory); Singer and Seering 1990, J. Dyn. Sys. Meas. Control
 * 112:76, eq. 4-6. Checked edge by edge in tests/unit/test_shaper.c
 */
#ifndef STADDLE_PLAN_RESIDUAL_H
#define STADDLE_PLAN_RESIDUAL_H

#include "staddle/plan.h"

/* The worst over everything that the ring may be, and until that is under the budget. */
struct residual {
    double nm, wait_s;
};

struct residual_move {
    struct plan_ring ring;
    double count_nm;
    int64_t budget_nm;
};

/* At exactly this frequency and damping. */
double residual_of_slots(const struct plan_slot *slots, int count, int64_t counts, double count_nm, double hz,
                         double zeta);
/* From the beginning of the first slot to the last edge. */
double residual_length_s(const struct plan_slot *slots, int count, int64_t counts);

struct residual residual_worst_of_slots(const struct residual_move *m, const struct plan_slot *slots,
                                        int count, int64_t counts);

/* A ramp: speeds up and slows down evenly, but for the time within which that comes and goes. */
struct residual_ramp {
    double speed_counts_per_s, accel_counts_per_s2, smooth_s;
};
/* What speeding up left meets what slowing down leaves, at the worst moment. counts 0: of any distance. */
struct residual residual_worst_of_ramp(const struct residual_move *, const struct residual_ramp *,
                                       int64_t counts);

#endif
