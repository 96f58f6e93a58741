#include "run/quiet.h"

#include "base/mem.h"
#include "image/cells.h"
#include "image/measure_io.h"
#include "plan/timeline.h"
#include "run/axis_session.h"
#include "run/reference.h"
#include "store/measured.h"
#include "store/reference.h"

static int can(const struct shoot_job *job, const struct rig *rig, struct err *why)
{
    const char *no = timeline_no_quiet(&job->bench);
    if (no) return fail(why, E_UNSUPPORTED, "%s", no);
    return rig->out ? fail(why, E_STATE, "the bench is still busy") : E_OK;
}

/* Where most is in focus, by what was measured of the frames; in the middle where that is not known. Not at
 * an end, beyond which nothing tells whose focus it is. */
static int choose_place(const struct plan *p, struct store *store, int64_t *out_nm, struct err *why)
{
    struct frame_row *rows;
    int32_t count;
    double most = 0;
    int rc = store_frames(store, &rows, &count, why);
    if (rc) return rc;
    *out_nm = p->slices[p->slice_count / 2].target_nm;
    for (int32_t i = 1; i + 1 < count; i++) {
        struct frame_measure m;
        if (rows[i].target_nm == STACK_NONE ||
            measured_get(store, &rows[i].files[0], &rows[i - 1].files[0], &m, NULL))
            continue;
        const double sharp = frame_sharpness(&m, 1);
        frame_measure_clear(&m);
        if (sharp <= most) continue;
        most = sharp;
        *out_nm = rows[i].target_nm;
    }
    mem_free(rows);
    return E_OK;
}

/* From the near side, as every slice. */
static int go(struct axis_session *s, int64_t target_nm, struct err *why)
{
    const struct plan *p = &s->job.plan;
    int rc = axis_session_ready(s, why);
    if (!rc) rc = axis_session_go(s, target_nm - p->travel.take_up_nm, why);
    return rc ? rc : axis_session_go(s, target_nm, why);
}

static int shoot(const struct shoot_job *job, struct rig *rig, struct store *store, struct err *why)
{
    struct camera_session camera = {.rig = rig, .job = *job, .job_given = true}; /* borrows both */
    struct reference_kept kept;
    struct stack_info info;
    int rc = store_info(store, &info, why);
    if (rc) return rc;
    rc = reference_shoot_into(&camera, store, &info, REFERENCE_QUIET, &kept, why);
    stack_info_clear(&info);
    return rc;
}

int quiet_take(const struct shoot_job *job, struct rig *rig, struct store *store,
               const struct quiet_teller *tell, struct err *why)
{
    const int64_t frame_us = job->plan.timeline.lag_us + job->plan.timeline.exposure_us;
    struct axis_session axis;
    int64_t place_nm = 0;
    int rc = can(job, rig, why);
    if (!rc) rc = choose_place(&job->plan, store, &place_nm, why);
    if (rc) return rc;
    axis_session_borrow(&axis, rig, job);
    tell->doing(tell->arg, "moving", job->plan.timeline.quiet_us);
    rc = go(&axis, place_nm, why);
    if (!rc) tell->doing(tell->arg, "resting", TIMELINE_QUIET_REST_US + frame_us);
    if (!rc && axis_session_pass(&axis, TIMELINE_QUIET_REST_US)) rc = fail(why, E_PAUSED, "stopped by hand");
    if (!rc) tell->doing(tell->arg, "exposing", frame_us);
    return rc ? rc : shoot(job, rig, store, why);
}
