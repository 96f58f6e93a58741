#include "plan/timeline.h"

#include <math.h>
#include <stdlib.h>

#include "base/units.h"
#include "plan/shaper.h"
#include "plan/slices.h"

/* What the controller accepts (hw-docs/wire.md). */
#define SPEED_LEAST 10
#define SPEED_MOST  40000
#define ACCEL_LEAST 1000
#define ACCEL_MOST  400000

#define LENS_COUNTS_PER_S 200 /* orders and all; lenses differ tenfold (guess) */

static int64_t between(int64_t value, int64_t least, int64_t most)
{
    return value < least ? least : value > most ? most : value;
}

static double ramp_us(const struct plan_ring *ring)
{
    if (!(ring->hz > 0)) return TIMELINE_RAMP_US;
    const double period_us = US_PER_S / (ring->hz * sqrt(1 - ring->zeta * ring->zeta));
    return period_us * ceil(TIMELINE_RAMP_US / period_us);
}

static void take_bands(struct timeline_motion *m, const struct axis_spec *a)
{
    for (m->band_count = 0; m->band_count < a->band_count; m->band_count++) {
        const struct speed_band *b = &a->bands[m->band_count];
        m->bands[m->band_count] =
            (struct timeline_band){(double)b->lo_nm_per_s * (double)m->den / (double)m->num,
                                   (double)b->hi_nm_per_s * (double)m->den / (double)m->num};
    }
}

bool timeline_in_band(const struct timeline_motion *m, double counts_per_s)
{
    for (int i = 0; i < m->band_count; i++)
        if (counts_per_s >= m->bands[i].lo && counts_per_s <= m->bands[i].hi) return true;
    return false;
}

/* Below every band that it lies in. */
static int64_t out_of_bands(const struct timeline_motion *m, int64_t counts_per_s)
{
    for (int tries = 0; tries < BANDS_MOST; tries++)
        for (int i = 0; i < m->band_count; i++)
            if ((double)counts_per_s >= m->bands[i].lo && (double)counts_per_s <= m->bands[i].hi)
                counts_per_s = (int64_t)ceil(m->bands[i].lo) - 1;
    return counts_per_s;
}

struct timeline_motion timeline_motion(const struct bench *bench)
{
    const struct axis_spec *a = &bench->axis;
    struct timeline_motion m = {.ring = {a->ring_hz, a->ring_zeta, a->ring_share}};
    const int64_t nm_per_s = a->speed_nm_per_s ? a->speed_nm_per_s : TIMELINE_SPEED_NM_PER_S;
    slices_count_length(a, &m.num, &m.den);
    if (a->by_hand) return m;
    if (a->by_lens) {
        m.speed_counts_per_s = LENS_COUNTS_PER_S;
        m.accel_counts_per_s2 = ACCEL_MOST;
        return m;
    }
    m.smooth_ms = TIMELINE_SMOOTH_MS;
    take_bands(&m, a);
    m.speed_counts_per_s =
        between(out_of_bands(&m, slices_counts_of(nm_per_s, m.num, m.den)), SPEED_LEAST, SPEED_MOST);
    m.accel_counts_per_s2 = between((int64_t)((double)m.speed_counts_per_s * US_PER_S / ramp_us(&m.ring)),
                                    ACCEL_LEAST, ACCEL_MOST);
    m.start_counts_per_s = a->start_nm_per_s ? between(slices_counts_of(a->start_nm_per_s, m.num, m.den),
                                                       SPEED_LEAST, SPEED_MOST)
                                             : TIMELINE_START_COUNTS;
    return m;
}

static int64_t ramp_move_us(const struct timeline_motion *m, double counts)
{
    const double speed = (double)m->speed_counts_per_s, accel = (double)m->accel_counts_per_s2;
    if (!m->speed_counts_per_s) return 0; /* by hand */
    const int64_t smooth_us = m->smooth_ms && counts > 1 ? (m->smooth_ms - 1) * US_PER_MS : 0;
    if (counts >= speed * speed / accel) return us_from_s(counts / speed + speed / accel) + smooth_us;
    return us_from_s(2 * sqrt(counts / accel)) + smooth_us;
}

int64_t timeline_ramp_us(const struct timeline_motion *m, int64_t counts)
{
    return ramp_move_us(m, fabs((double)counts));
}

int64_t timeline_move_us(const struct timeline_motion *m, int64_t distance_nm)
{
    return ramp_move_us(m, fabs((double)distance_nm) * (double)m->den / (double)m->num);
}

static int64_t settle_us(const struct bench *bench, const struct job *job)
{
    if (job->settle_us >= 0) return job->settle_us;
    if (bench->light.kind == LIGHT_FLASH && bench->light.recycle_us) return bench->light.recycle_us;
    return TIMELINE_SETTLE_US;
}

void timeline_waits(const struct bench *bench, const struct job *job, struct plan_timeline *out)
{
    const bool person = bench->axis.by_hand || bench->camera.by_others; /* begins when the person does */
    *out = (struct plan_timeline){
        .by_hand = bench->axis.by_hand,
        .by_others = bench->camera.by_others,
        .budget_nm = SHAPER_BUDGET_NM,
        .settle_given = job->settle_us >= 0,
        .start_delay_us = job->start_delay_us >= 0 ? job->start_delay_us
                          : person                 ? 0
                                                   : TIMELINE_START_DELAY_US,
        .settle_us = settle_us(bench, job),
        .busy_us = bench->camera.busy_us,
        .lag_us = bench->camera.mirror_up_us + bench->camera.half_press_us + bench->camera.shutter_lag_us,
        .exposure_us = job->exposure_us ? job->exposure_us : TIMELINE_EXPOSURE_US,
        .quiet = job->quiet_frame && !timeline_no_quiet(bench),
        .recycle_us = bench->light.kind == LIGHT_FLASH ? bench->light.recycle_us : 0,
    };
}

const char *timeline_no_quiet(const struct bench *b)
{
    if (b->axis.by_hand || b->axis.by_lens)
        return "only a rail goes back by itself; take it with camera shoot --as quiet";
    if (b->camera.by_cable || b->camera.by_others)
        return "its frames do not come to the computer by themselves; take it by hand and import it";
    return NULL;
}

int64_t timeline_slice_us(const struct plan_timeline *t, int64_t move_us)
{
    const int64_t ready_us = move_us + t->settle_us > t->busy_us ? move_us + t->settle_us : t->busy_us;
    const int64_t busy = ready_us + t->lag_us + t->exposure_us;
    return busy > t->recycle_us ? busy : t->recycle_us;
}

/* Between slices by the shape, where there is one; how long it settles after that, and after the ramp. */
static void fill_slice_move(struct plan_timeline *t, const struct timeline_path *p,
                            const struct timeline_motion *m)
{
    const int32_t moves = p->slices - 1;
    const int64_t distance_nm = moves ? (p->last_nm - p->first_nm) / moves : 0;
    t->ring = m->ring;
    shaper_find(m, &t->ring, t->budget_nm, slices_counts_of(distance_nm, m->num, m->den), &t->shape);
    t->move_us = t->shape.kind == SHAPER_NONE ? timeline_move_us(m, distance_nm) : t->shape.length_us;
    t->ramp_settle_us = t->settle_us;
    if (t->settle_given || !(t->ring.hz > 0)) return;
    t->ramp_settle_us = shaper_wait_us(m, &t->ring, t->budget_nm, NULL, 0);
    t->settle_us = t->shape.counts ? t->shape.wait_us : t->ramp_settle_us;
}

/* Where most will be in focus is not known yet: taken for the middle. */
static int64_t quiet_us(const struct plan_timeline *t, const struct timeline_path *p,
                        const struct timeline_motion *m)
{
    const int64_t back_nm = (p->last_nm - p->first_nm) / 2 - p->take_up_nm;
    return timeline_move_us(m, back_nm) + timeline_move_us(m, p->take_up_nm) + TIMELINE_QUIET_REST_US +
           t->lag_us + t->exposure_us;
}

void timeline_fill(struct plan_timeline *t, const struct timeline_path *p, const struct timeline_motion *m)
{
    const int64_t start_nm = p->first_nm - p->take_up_nm;
    const int64_t take_up_us = timeline_move_us(m, p->take_up_nm);
    const int32_t moves = p->slices - 1;
    fill_slice_move(t, p, m);
    t->approach_us = timeline_move_us(m, p->near_nm - start_nm) + take_up_us;
    t->slice_us = timeline_slice_us(t, t->move_us);
    struct plan_timeline closing = *t;
    closing.settle_us = t->ramp_settle_us;
    t->closing_us = timeline_slice_us(&closing, timeline_move_us(m, p->last_nm - start_nm) + take_up_us);
    if (t->quiet) t->quiet_us = quiet_us(t, p, m);
    const int64_t ready_us = t->approach_us + t->ramp_settle_us; /* the approach hides in the delay */
    t->total_us = (t->start_delay_us > ready_us ? t->start_delay_us : ready_us) + t->lag_us + t->exposure_us +
                  moves * t->slice_us + t->closing_us + t->quiet_us;
}
