#include "run/rehearse.h"

#include <stdio.h>
#include <string.h>

#include "base/findings.h"
#include "base/units.h"
#include "plan/timeline.h"

#define TOUCH_COUNTS     4     /* a step of a touch: the resolution */
#define TOUCH_STEPS_MOST 20000 /* 80000 counts; a home ends some 160 from the switch */
#define LEAVE_NM         100000
#define SLOW_SHARE       1.25  /* of the planned time of the moves; our choice */
#define COMMAND_US       20000 /* a command's way to the controller and back, each move; our choice */

static int64_t now_us(const struct axis_session *s)
{
    return sched_now_us(s->rig->sched);
}

static bool in_alarm(const struct axis_session *s)
{
    return s->state.phase == AXIS_ALARM || s->state.phase == AXIS_STOPPED;
}

/* Small steps toward the near end, until its switch opens; then off it again. */
static int touch(struct axis_session *s, int64_t *counts_out, struct err *why)
{
    const int64_t step_nm = axis_session_nm(s, TOUCH_COUNTS);
    int rc = E_OK;
    for (int i = 0; i < TOUCH_STEPS_MOST && !rc; i++)
        rc = axis_session_jog(s, -step_nm, why);
    if (!rc)
        return fail(why, E_STATE, "the near end switch does not open where home found it; look at its wires");
    /* the switch opens during a step (alarm), or with its last count (the next one is refused) */
    if (rc == E_PAUSED || !in_alarm(s)) return rc;
    *counts_out = s->state.position_counts;
    return axis_session_jog(s, LEAVE_NM, why);
}

static int quiet_touch(struct axis_session *s, int64_t *counts_out, struct err *why)
{
    void (*told)(void *, const char *) = s->tell;
    s->tell = NULL; /* once for all of its small steps */
    int rc = touch(s, counts_out, why);
    s->tell = told;
    return rc;
}

static void say_touch(const struct axis_session *s)
{
    if (s->tell)
        s->tell(s->arg, "the axis feels for its near end, back and away from the subject, in small steps");
}

static void say_out(const struct axis_session *s, const struct rehearsal *r)
{
    char sentence[200];
    const bool by_hand = s->rig->axis->ops->caps & AXIS_WAITS_FOR_PERSON; /* who is told each turn */
    if (!s->tell || by_hand) return;
    snprintf(sentence, sizeof sentence,
             "the axis moves %.4f mm deeper, toward the subject, in %d moves to %.4f mm; keep fingers and "
             "cables clear",
             mm_from_nm(r->last_nm - r->start_nm), (int)r->slices, mm_from_nm(r->last_nm));
    s->tell(s->arg, sentence);
}

/* Slice by slice; an alarm on the way ends it there. */
static int go_out(struct axis_session *s, struct rehearsal *r, struct err *why)
{
    const struct plan *p = &s->job.plan;
    const int64_t begun = now_us(s);
    struct timeline_motion m = timeline_motion(&s->job.bench);
    void (*told)(void *, const char *) = s->tell;
    int rc = axis_session_go(s, r->start_nm, why);
    int64_t at_nm = r->start_nm;
    if (!rc) say_out(s, r);
    s->tell = NULL;
    for (int32_t i = 0; !rc && i < p->slice_count; i++) {
        const int64_t next_nm = p->slices[i].target_nm;
        rc = axis_session_go(s, next_nm, why);
        if (rc) break;
        r->moves_us += timeline_move_us(&m, next_nm - at_nm) + COMMAND_US;
        at_nm = next_nm;
        r->reached++;
    }
    s->tell = told;
    r->out_us = now_us(s) - begun;
    if (!rc || !in_alarm(s) || rc == E_PAUSED) return rc;
    r->stopped = true;
    r->stopped_nm = axis_session_nm(s, s->state.position_counts);
    snprintf(r->why, sizeof r->why, "%.200s", why->text);
    return E_OK;
}

static int go_back(struct axis_session *s, struct rehearsal *r, struct err *why)
{
    const int64_t begun = now_us(s);
    int rc = axis_session_go(s, r->start_nm, why);
    r->back_us = now_us(s) - begun;
    return rc;
}

/* ---- what is said of it */

static int say_stopped(const struct axis_session *s, struct rehearsal *r, struct err *why)
{
    const struct finding_about about = {
        .code = "axis-stopped", .grave = true, .advice = "see what stands in the way, or shoot less depth"};
    return finding_add(&r->findings, about, why, "the axis came to %.4f mm, %d of %d slices: %s",
                       mm_from_nm(r->stopped_nm), (int)r->reached, (int)s->job.plan.slice_count, r->why);
}

static int say_off(struct rehearsal *r, struct err *why)
{
    const struct finding_about about = {
        .code = "steps-lost",
        .grave = true,
        .advice = "see whether something binds or slips; go slower, or give the motor more current"};
    const int64_t off_nm = r->off_nm < 0 ? -r->off_nm : r->off_nm;
    if (!r->touched || off_nm <= 2 * r->resolution_nm) return E_OK;
    return finding_add(&r->findings, about, why,
                       "after the way there and back the near end is off by %.3g um", um_from_nm(r->off_nm));
}

static int say_slow(const struct axis_session *s, struct rehearsal *r, struct err *why)
{
    const struct finding_about about = {.code = "slow-moves",
                                        .advice = "the run will take longer than planned"};
    if (s->rig->axis->ops->caps & AXIS_WAITS_FOR_PERSON) return E_OK; /* nobody said how long it would take */
    if (r->stopped || (double)r->out_us <= SLOW_SHARE * (double)r->moves_us) return E_OK;
    return finding_add(&r->findings, about, why, "the moves took %.1f s instead of %.1f s",
                       s_from_us(r->out_us), s_from_us(r->moves_us));
}

static int say_all(const struct axis_session *s, struct rehearsal *r, struct err *why)
{
    int rc = r->stopped ? say_stopped(s, r, why) : E_OK;
    if (!rc) rc = say_off(r, why);
    if (!rc) rc = say_slow(s, r, why);
    return rc;
}

static int way(struct axis_session *s, struct rehearsal *r, struct err *why)
{
    const bool homes = s->rig->axis->ops->caps & AXIS_HOMES;
    int64_t first = 0, second = 0;
    const int64_t begun = now_us(s);
    int rc = axis_session_ready(s, why);
    if (!rc && homes) rc = axis_session_home(s, why);
    r->home_us = now_us(s) - begun;
    if (!rc && homes) say_touch(s);
    if (!rc && homes) rc = quiet_touch(s, &first, why);
    if (!rc) rc = go_out(s, r, why);
    if (rc) return rc;
    if (r->stopped) return homes ? axis_session_home(s, why) : E_OK;
    rc = go_back(s, r, why);
    if (rc || !homes) return rc;
    rc = axis_session_go(s, axis_session_nm(s, first) + LEAVE_NM, why);
    if (!rc) say_touch(s);
    if (!rc) rc = quiet_touch(s, &second, why);
    if (rc) return rc;
    r->touched = true;
    r->off_nm = axis_session_nm(s, second - first);
    return axis_session_home(s, why);
}

int rehearse(struct axis_session *s, struct rehearsal *out, struct err *why)
{
    const struct plan *p = &s->job.plan;
    struct rehearsal r = {.slices = p->slice_count,
                          .start_nm = p->travel.first_nm - p->travel.take_up_nm,
                          .first_nm = p->travel.first_nm,
                          .last_nm = p->travel.last_nm,
                          .resolution_nm = axis_session_nm(s, TOUCH_COUNTS)};
    int rc = way(s, &r, why);
    if (!rc) rc = say_all(s, &r, why);
    if (rc)
        findings_clear(&r.findings);
    else
        *out = r;
    return rc;
}
