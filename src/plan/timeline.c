#include "plan/timeline.h"

#include <math.h>
#include <stdlib.h>

#include "base/units.h"
#include "plan/slices.h"

/* What the controller accepts (hw-docs/wire.md). */
#define SPEED_LEAST 10
#define SPEED_MOST  40000
#define ACCEL_LEAST 1000
#define ACCEL_MOST  400000

static int64_t between(int64_t value, int64_t least, int64_t most)
{
    return value < least ? least : value > most ? most : value;
}

struct timeline_motion timeline_motion(const struct bench *bench)
{
    struct timeline_motion m;
    const int64_t nm_per_s =
        bench->axis.speed_nm_per_s ? bench->axis.speed_nm_per_s : TIMELINE_SPEED_NM_PER_S;
    slices_count_length(&bench->axis, &m.num, &m.den);
    m.speed_counts_per_s = between(slices_counts_of(nm_per_s, m.num, m.den), SPEED_LEAST, SPEED_MOST);
    m.accel_counts_per_s2 =
        between(m.speed_counts_per_s * US_PER_S / TIMELINE_RAMP_US, ACCEL_LEAST, ACCEL_MOST);
    return m;
}

int64_t timeline_move_us(const struct timeline_motion *m, int64_t distance_nm)
{
    const double counts = fabs((double)distance_nm) * (double)m->den / (double)m->num;
    const double speed = (double)m->speed_counts_per_s, accel = (double)m->accel_counts_per_s2;
    if (counts >= speed * speed / accel) return us_from_s(counts / speed + speed / accel);
    return us_from_s(2 * sqrt(counts / accel));
}

static int64_t settle_us(const struct bench *bench, const struct job *job)
{
    if (job->settle_us >= 0) return job->settle_us;
    if (bench->light.kind == LIGHT_FLASH && bench->light.recycle_us) return bench->light.recycle_us;
    return TIMELINE_SETTLE_US;
}

void timeline_waits(const struct bench *bench, const struct job *job, struct plan_timeline *out)
{
    *out = (struct plan_timeline){
        .start_delay_us = job->start_delay_us >= 0 ? job->start_delay_us : TIMELINE_START_DELAY_US,
        .settle_us = settle_us(bench, job),
        .lag_us = bench->camera.shutter_lag_us,
        .exposure_us = job->exposure_us ? job->exposure_us : TIMELINE_EXPOSURE_US,
        .recycle_us = bench->light.kind == LIGHT_FLASH ? bench->light.recycle_us : 0,
    };
}

int64_t timeline_slice_us(const struct plan_timeline *t, int64_t move_us)
{
    const int64_t busy = move_us + t->settle_us + t->lag_us + t->exposure_us;
    return busy > t->recycle_us ? busy : t->recycle_us;
}

void timeline_fill(struct plan_timeline *t, const struct timeline_path *p, const struct timeline_motion *m)
{
    const int64_t start_nm = p->first_nm - p->take_up_nm;
    const int64_t take_up_us = timeline_move_us(m, p->take_up_nm);
    const int32_t moves = p->slices - 1;
    t->approach_us = timeline_move_us(m, p->near_nm - start_nm) + take_up_us;
    t->move_us = moves ? timeline_move_us(m, (p->last_nm - p->first_nm) / moves) : 0;
    t->slice_us = timeline_slice_us(t, t->move_us);
    t->closing_us = timeline_slice_us(t, timeline_move_us(m, p->last_nm - start_nm) + take_up_us);
    const int64_t ready_us = t->approach_us + t->settle_us; /* the approach hides in the delay */
    t->total_us = (t->start_delay_us > ready_us ? t->start_delay_us : ready_us) + t->lag_us + t->exposure_us +
                  moves * t->slice_us + t->closing_us;
}
