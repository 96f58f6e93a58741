#include "plan/shaper.h"

#include <math.h>
#include <stdlib.h>

#include "base/units.h"

#define TWO_PI        6.283185307179586
#define WHOLE         65536
#define HALVES_LEAST  3  /* half periods that the shortest shape lasts */
#define HALVES_MOST   24 /* longer, and waiting is as good */
#define SLOT_US_MOST  1000000
#define SLOT_US_LEAST 100
#define SPARE_SPEED   0.999 /* the controller rounds */

int shaper_impulses(enum plan_shaper kind, double zeta, double out[4])
{
    static const double binomial[2][4] = {{1, 2, 1, 0}, {1, 3, 3, 1}};
    const int n = kind == SHAPER_ZVDD ? 4 : 3;
    const double k = exp(-zeta * TWO_PI / 2 / sqrt(1 - zeta * zeta));
    const double sum = pow(1 + k, n - 1);
    for (int i = 0; i < n; i++)
        out[i] = binomial[kind == SHAPER_ZVDD][i] * pow(k, i) / sum;
    return n;
}

static double half_period_us(const struct plan_ring *ring)
{
    return US_PER_S / (2 * ring->hz * sqrt(1 - ring->zeta * ring->zeta));
}

/* Of an impulse in half period `begins`, what share of the box behind it has gone by at half period `at`. */
static double gone_by(int begins, int box, int at)
{
    return at <= begins ? 0 : at >= begins + box ? 1 : (double)(at - begins) / box;
}

/* One slot for each half period; then neighbours of one rate become one. False: they are too many. */
static bool lay_slots(const struct plan_ring *ring, struct plan_shape *s)
{
    double impulses[4];
    const int n = shaper_impulses(s->kind, ring->zeta, impulses), halves = s->box_halves + n - 1;
    const double half_us = half_period_us(ring);
    double rate_before = -1;
    int64_t share_before = 0, end_before = 0;
    s->slot_count = 0;
    for (int h = 1; h <= halves; h++) {
        double gone = 0, rate = 0;
        for (int i = 0; i < n; i++) {
            gone += impulses[i] * gone_by(i, s->box_halves, h);
            rate += impulses[i] * (gone_by(i, s->box_halves, h) - gone_by(i, s->box_halves, h - 1));
        }
        const int64_t share = h == halves ? WHOLE : llround(gone * WHOLE), end_us = llround(h * half_us);
        if (fabs(rate - rate_before) > 1e-9) {
            if (s->slot_count == PLAN_SLOTS_MOST) return false;
            s->slots[s->slot_count++] = (struct plan_slot){0, 0};
            rate_before = rate;
        }
        struct plan_slot *slot = &s->slots[s->slot_count - 1];
        slot->us += end_us - end_before;
        slot->share += (int32_t)(share - share_before);
        share_before = share;
        end_before = end_us;
    }
    for (int i = 0; i < s->slot_count; i++)
        if (s->slots[i].us > SLOT_US_MOST || s->slots[i].us < SLOT_US_LEAST) return false;
    return true;
}

static double slot_speed(const struct plan_slot *s, int64_t counts)
{
    return (double)s->share * (double)counts / WHOLE * US_PER_S / (double)s->us;
}

/* A slot lasts half a period at least: long enough for the motor to resonate. */
static bool lingers(const struct timeline_motion *m, const struct plan_shape *s, int64_t counts)
{
    for (int i = 0; i < s->slot_count; i++)
        if (timeline_in_band(m, slot_speed(&s->slots[i], counts))) return true;
    return false;
}

static int64_t most_counts(const struct timeline_motion *m, const struct plan_shape *s)
{
    double most = SHAPER_COUNTS;
    for (int i = 0; i < s->slot_count; i++)
        if (s->slots[i].share)
            most = fmin(most, SPARE_SPEED * (double)m->start_counts_per_s / slot_speed(&s->slots[i], 1));
    return (int64_t)most;
}

static struct residual_move move_of(const struct timeline_motion *m, const struct plan_ring *ring,
                                    int64_t budget_nm)
{
    return (struct residual_move){*ring, (double)m->num / (double)m->den, budget_nm};
}

/* False: the motor cannot do it. */
static bool try_shape(const struct timeline_motion *m, const struct residual_move *r, int64_t counts,
                      struct plan_shape *s)
{
    if (!lay_slots(&r->ring, s)) return false;
    s->counts = counts;
    s->most_counts = most_counts(m, s);
    if (counts > s->most_counts || lingers(m, s, counts)) return false;
    const struct residual worst = residual_worst_of_slots(r, s->slots, s->slot_count, counts);
    s->residual_nm = llround(worst.nm);
    s->wait_us = us_from_s(worst.wait_s);
    s->length_us = us_from_s(residual_length_s(s->slots, s->slot_count, counts));
    s->why = s->wait_us ? SHAPE_RINGS_ON : SHAPE_STILL;
    return true;
}

static int64_t still_after_us(const struct plan_shape *s)
{
    return s->length_us + s->wait_us;
}

/* Of shapes that are still at their end, which all last as long: the one that leaves less. */
static bool better(const struct plan_shape *s, const struct plan_shape *than)
{
    if (s->why != than->why && (s->why == SHAPE_STILL || than->why == SHAPE_STILL))
        return s->why == SHAPE_STILL;
    if (s->why == SHAPE_STILL) return s->residual_nm < than->residual_nm;
    return still_after_us(s) < still_after_us(than);
}

static struct residual_ramp ramp_of(const struct timeline_motion *m)
{
    return (struct residual_ramp){(double)m->speed_counts_per_s, (double)m->accel_counts_per_s2,
                                  (double)m->smooth_ms / 1000};
}

static struct plan_shape by_ramp(const struct timeline_motion *m, const struct residual_move *r,
                                 int64_t counts)
{
    const struct residual_ramp ramp = ramp_of(m);
    const struct residual worst = residual_worst_of_ramp(r, &ramp, counts);
    return (struct plan_shape){.why = SHAPE_TOO_FAST,
                               .counts = counts,
                               .length_us = timeline_ramp_us(m, counts),
                               .residual_nm = llround(worst.nm),
                               .wait_us = us_from_s(worst.wait_s)};
}

void shaper_find(const struct timeline_motion *m, const struct plan_ring *ring, int64_t budget_nm,
                 int64_t counts, struct plan_shape *out)
{
    *out = (struct plan_shape){.why = SHAPE_NO_RING, .counts = counts};
    if (!(ring->hz > 0) || counts < 1) return;
    const struct residual_move r = move_of(m, ring, budget_nm);
    const struct plan_shape ramp = by_ramp(m, &r, counts);
    struct plan_shape best = ramp;
    for (int halves = HALVES_LEAST; halves <= HALVES_MOST; halves++) {
        for (int impulses = 3; impulses <= 4; impulses++) {
            struct plan_shape s = {.kind = impulses == 4 ? SHAPER_ZVDD : SHAPER_ZVD,
                                   .box_halves = halves + 1 - impulses};
            if (s.box_halves < 1 || !try_shape(m, &r, counts, &s)) continue;
            if (better(&s, &best)) best = s;
            if (best.kind == SHAPER_NONE) best.why = SHAPE_RINGS_ON; /* it could, but the ramp is quicker */
        }
        if (best.why == SHAPE_STILL) break;
    }
    *out = best;
}

bool shaper_takes(const struct timeline_motion *m, const struct plan_shape *s, int64_t counts)
{
    return s->kind != SHAPER_NONE && llabs(counts) <= s->most_counts && !lingers(m, s, llabs(counts));
}

int64_t shaper_wait_us(const struct timeline_motion *m, const struct plan_ring *ring, int64_t budget_nm,
                       const struct plan_shape *s, int64_t counts)
{
    const struct residual_move r = move_of(m, ring, budget_nm);
    const struct residual_ramp ramp = ramp_of(m);
    const struct residual worst = s ? residual_worst_of_slots(&r, s->slots, s->slot_count, llabs(counts))
                                    : residual_worst_of_ramp(&r, &ramp, llabs(counts));
    return us_from_s(worst.wait_s);
}
