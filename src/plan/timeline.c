#include "plan/timeline.h"

#include <math.h>
#include <stdlib.h>

#include "base/units.h"

int64_t timeline_move_us(int64_t distance_nm, int64_t speed_nm_per_s)
{
    const double distance = fabs((double)distance_nm), speed = (double)speed_nm_per_s;
    const double ramp_s = s_from_us(TIMELINE_RAMP_US), acceleration = speed / ramp_s;
    if (distance >= speed * ramp_s) return us_from_s(distance / speed + ramp_s);
    return us_from_s(2 * sqrt(distance / acceleration));
}

int64_t timeline_speed_nm_per_s(const struct bench *bench)
{
    return bench->axis.speed_nm_per_s ? bench->axis.speed_nm_per_s : TIMELINE_SPEED_NM_PER_S;
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

void timeline_fill(struct plan_timeline *t, const struct timeline_path *p, int64_t speed_nm_per_s)
{
    const int64_t start_nm = p->first_nm - p->take_up_nm;
    const int64_t take_up_us = timeline_move_us(p->take_up_nm, speed_nm_per_s);
    const int32_t moves = p->slices - 1;
    t->approach_us = timeline_move_us(p->near_nm - start_nm, speed_nm_per_s) + take_up_us;
    t->move_us = moves ? timeline_move_us((p->last_nm - p->first_nm) / moves, speed_nm_per_s) : 0;
    t->slice_us = timeline_slice_us(t, t->move_us);
    t->closing_us =
        timeline_slice_us(t, timeline_move_us(p->last_nm - start_nm, speed_nm_per_s) + take_up_us);
    t->total_us =
        t->start_delay_us + t->approach_us + timeline_slice_us(t, 0) + moves * t->slice_us + t->closing_us;
}
