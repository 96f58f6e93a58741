#include "run/loop.h"

#include <stdio.h>
#include <string.h>

#include "run/loop_state.h"
#include "run/resume.h"

#define COMMIT_LEAD_US 20000     /* a row is durable sooner than that (guess) */
#define WATCHDOG_US    600000000 /* nothing at all happened: our bug, or a device that hangs; our choice */
#define LAST_WAIT_US   120000000 /* for what is in flight when a run ends; our choice */

int64_t loop_now(const struct loop *l)
{
    return sched_now_us(l->rig->sched);
}

void loop_moved_on(struct loop *l)
{
    l->last_progress_us = loop_now(l);
}

void loop_enter(struct loop *l, enum lane lane)
{
    l->lane = lane;
    if (lane == LANE_ENDING) l->ending_since_us = loop_now(l);
    loop_moved_on(l);
}

void loop_fault(struct loop *l, const struct err *why)
{
    l->pausing = true;
    if (l->fault.code) return;
    l->fault = *why;
    if (!l->fault.code) l->fault.code = E_IO;
}

void loop_disk_fault(struct loop *l, const struct err *why)
{
    l->disk_dead = true;
    loop_fault(l, why);
}

bool loop_camera_busy(const struct loop *l)
{
    for (int i = 0; i < LOOP_FRAMES_MOST; i++) {
        enum take_stage s = l->takes[i].stage;
        if (s >= TAKE_FIRED && s <= TAKE_FETCHING) return true;
    }
    return false;
}

void loop_kept(struct loop *l, struct take *t)
{
    struct slot *s = &l->slots[t->slot];
    s->state = SLOT_KEPT;
    s->picture = picture_hold(t->main);
    s->exposure_id = t->row.id;
    s->on_card = !t->main;
    outage_frame_kept(l);
    if (t->main && t->slot < l->slot_count) l->levels[l->level_count++] = t->main->measure.mean_linear;
    if (t->main) neighbours_look(l, t->slot);
    loop_tell_of(l, t->main ? "kept" : "fired", t->slot);
}

/* ---- the axis */

static bool by_person(const struct loop *l)
{
    return l->rig->axis->ops->caps & AXIS_WAITS_FOR_PERSON;
}

static void stop_axis(struct loop *l)
{
    struct err why;
    if (l->axis.phase == AXIS_GONE || l->axis.phase == AXIS_STOPPED) return;
    if (axis_halt(l->rig->axis, &why)) loop_fault(l, &why);
}

/* The axis stopped by itself: what was exposed meanwhile is not to be trusted, what was not fired is not
 * fired. */
static void axis_fault(struct loop *l)
{
    struct err why = l->axis.why;
    if (!why.code) fail(&why, E_IO, "the axis is %s; look at the bench", axis_phase_text(l->axis.phase));
    loop_fault(l, &why);
    for (int i = 0; i < LOOP_FRAMES_MOST; i++)
        if (l->takes[i].stage == TAKE_FIRED)
            snprintf(l->takes[i].spoilt, sizeof l->takes[i].spoilt, "the axis stopped during the exposure");
    take_doubt_over(l, false);
    take_unfired_end(l, "the axis stopped");
    if (l->lane != LANE_ENDING) loop_enter(l, LANE_ENDING);
}

/* Stopped, and that was not left so by an earlier run or by what happened to it in this one. */
static bool is_bad(const struct loop *l, const struct axis_state *now)
{
    bool waking = l->lane == LANE_HOMING && l->homing == HOMING_WAKING;
    bool known_why = !l->woken || !strcmp(now->why.text, l->woken_why.text);
    bool asleep = waking && (now->why.code != E_STATE || known_why);
    return now->phase == AXIS_ALARM || now->phase == AXIS_GONE || (now->phase == AXIS_STOPPED && !asleep);
}

void loop_look_at_axis(struct loop *l)
{
    struct err why = {0};
    struct axis_state now;
    if (axis_poll(l->rig->axis, &now,
                  &why)) { /* not to be seen: it may be moving, so halt it and look again */
        l->axis.phase = AXIS_MOVING;
        l->axis.why = why;
        axis_fault(l);
        stop_axis(l);
        return;
    }
    if (now.phase != l->axis.phase || now.position_counts != l->axis.position_counts) loop_moved_on(l);
    bool bad = is_bad(l, &now) && !l->halted && l->lane != LANE_OVER && !l->axis_bad;
    bool waits = l->outages[OUTAGE_AXIS].out || (bad && outage_axis(l, &now));
    l->axis = now;
    l->axis_seen = l->axis_seen || now.phase == AXIS_REST;
    if (l->outages[OUTAGE_AXIS].out) outage_axis_looked(l);
    if (bad && (!waits || now.phase == AXIS_ALARM)) {
        l->axis_bad = true;
        axis_fault(l);
    }
}

/* ---- where to go next */

static int32_t choose(const struct loop *l)
{
    if (compare_waits(l)) return compare_next(l);
    for (int32_t i = 0; i < l->slot_count; i++)
        if (l->slots[i].state == SLOT_TODO) return i;
    return l->closing_wanted && l->slots[l->slot_count].state == SLOT_TODO ? l->slot_count : -1;
}

static void go(struct loop *l, int64_t target, enum lane lane)
{
    struct err why = {0};
    if (legs_go(l, target, &why)) {
        loop_fault(l, &why);
        loop_enter(l, LANE_ENDING);
        return;
    }
    loop_enter(l, lane);
    loop_look_at_axis(l);
}

static void settle(struct loop *l)
{
    l->fire_due_us = legs_still_at_us(l);
    if (l->fire_due_us < l->start_at_us) l->fire_due_us = l->start_at_us;
    if (l->fire_due_us < l->flash_ready_us) l->fire_due_us = l->flash_ready_us;
    l->at_serial = 0;
    loop_enter(l, LANE_SETTLING);
    loop_tell(l, "settling");
}

/* From the near side always: directly when the way there is long enough to take up the play, else by a
 * detour. */
static void set_out(struct loop *l, int32_t slot)
{
    int64_t target = l->slots[slot].target_counts, at = l->axis.position_counts;
    bool known = l->axis.known != AXIS_UNKNOWN;
    bool engaged = known && target >= at && l->engaged_counts + (target - at) >= l->take_up_counts;
    l->at_slot = slot;
    loop_tell(l, by_person(l) ? "turning" : "moving");
    if (engaged && target == at)
        settle(l);
    else if (engaged || l->take_up_counts == 0 || at == target - l->take_up_counts)
        go(l, target, LANE_MOVING);
    else
        go(l, target - l->take_up_counts, LANE_TAKING_UP);
}

static void lane_choosing(struct loop *l)
{
    int32_t next = choose(l);
    if (l->pausing || (next < 0 && take_count(l) == 0 && !compare_waits(l)))
        loop_enter(l, LANE_ENDING);
    else if (next >= 0)
        set_out(l, next);
}

/* ---- moving, settling, firing */

static bool arrived(struct loop *l)
{
    if (l->axis.phase != AXIS_REST || l->axis.target_counts != l->move_target) return false;
    int64_t way = l->move_target - l->moving_from;
    l->engaged_counts = way > 0 ? l->engaged_counts + way : 0;
    legs_arrived(l);
    if (l->axis.position_counts == l->move_target) return true;
    struct err why;
    fail(&why, E_IO, "the axis stands at %lld counts instead of %lld; look whether something blocks it",
         (long long)l->axis.position_counts, (long long)l->move_target);
    loop_fault(l, &why);
    return true;
}

static void lane_moving(struct loop *l)
{
    if (!arrived(l)) return;
    if (l->pausing)
        loop_enter(l, LANE_ENDING);
    else if (l->lane == LANE_TAKING_UP)
        go(l, l->slots[l->at_slot].target_counts, LANE_MOVING);
    else
        settle(l);
}

static struct take *current(struct loop *l)
{
    for (int i = 0; i < LOOP_FRAMES_MOST; i++)
        if (l->takes[i].stage != TAKE_NONE && l->takes[i].serial == l->at_serial) return &l->takes[i];
    return NULL;
}

static int64_t begin_due(const struct loop *l)
{
    const int64_t settle_us = l->opts.plan->timeline.settle_us;
    return l->fire_due_us - (settle_us > COMMIT_LEAD_US ? settle_us : COMMIT_LEAD_US);
}

static void try_begin(struct loop *l)
{
    bool closing = l->at_slot == l->slot_count;
    if (l->pausing || choose(l) != l->at_slot) {
        loop_enter(l, LANE_CHOOSING);
        return;
    }
    if (loop_now(l) < begin_due(l) || take_count(l) == LOOP_FRAMES_MOST) return;
    if (closing && loop_kept_count(l) < l->slot_count) return;
    if (l->outages[OUTAGE_CAMERA].out) return;
    struct take *t = take_begin(l, l->at_slot);
    if (t) l->at_serial = t->serial;
}

static void lane_settling(struct loop *l)
{
    if (!l->at_serial) {
        try_begin(l);
        return;
    }
    struct take *t = current(l);
    if (!t || l->disk_dead) {
        loop_enter(l, LANE_CHOOSING);
        return;
    }
    bool waits = loop_camera_busy(l) || l->outages[OUTAGE_CAMERA].out;
    if (t->stage != TAKE_READY || loop_now(l) < l->fire_due_us || waits) return;
    loop_enter(l, LANE_FIRING);
    loop_tell(l, "exposing");
    take_fire(l, t);
}

/* The axis may move once the camera says so: EXPOSED where it can, else the object is known. A failed attempt
 * is waited for, so that it is repeated where the axis stands. */
static void lane_firing(struct loop *l)
{
    const struct take *t = current(l);
    bool says = camera_caps(l->rig->camera) & CAMERA_SAYS_EXPOSED;
    bool may_leave =
        !t || (t->stage >= (says ? TAKE_EXPOSED : TAKE_FETCHING) && t->stage != TAKE_ENDING_BADLY);
    if (may_leave || l->disk_dead) loop_enter(l, LANE_CHOOSING);
}

/* Nothing is left to do for the axis, or nobody wants it any more. */
static void lane_waiting(struct loop *l)
{
    if (l->pausing || (choose(l) < 0 && take_count(l) == 0)) {
        l->outages[OUTAGE_AXIS].out = false;
        loop_enter(l, LANE_ENDING);
    }
}

/* The shutter's contacts and the motor's full current are let go. True once that is done, or cannot be. */
static bool release(struct loop *l)
{
    struct axis_state now;
    struct err why = {0};
    if (!l->released) {
        l->released = true;
        axis_hold(l->rig->axis, AXIS_HOLD_REDUCED, &why);
        axis_drop(l->rig->axis, &why);
    }
    return axis_poll(l->rig->axis, &now, &why) || now.phase == AXIS_GONE || !now.asking;
}

static void lane_ending(struct loop *l)
{
    enum axis_phase p = l->axis.phase;
    bool calm = p != AXIS_MOVING && p != AXIS_FINDING && p != AXIS_STARTING;
    bool flown = take_count(l) == 0 || l->disk_dead;
    bool waited = loop_now(l) - l->ending_since_us >= LAST_WAIT_US;
    if (!l->pausing && choose(l) >= 0)
        loop_enter(l, LANE_CHOOSING);
    else if ((calm && flown && (!l->parked || l->disk_dead) && !l->rig->out && release(l)) || waited)
        loop_enter(l, LANE_OVER);
}

static void advance(struct loop *l)
{
    for (;;) {
        enum lane before = l->lane;
        switch (l->lane) {
        case LANE_HOMING:
            homing_step(l);
            break;
        case LANE_CHOOSING:
            lane_choosing(l);
            break;
        case LANE_TAKING_UP:
        case LANE_MOVING:
            lane_moving(l);
            break;
        case LANE_SETTLING:
            lane_settling(l);
            break;
        case LANE_FIRING:
            lane_firing(l);
            break;
        case LANE_WAITING:
            lane_waiting(l);
            break;
        case LANE_ENDING:
            lane_ending(l);
            break;
        case LANE_OVER:
            return;
        }
        if (l->lane == before) return;
    }
}

/* ---- events */

/* Nobody is kept waiting once the run is to end: neither for a turn under way, nor for a frame that others
 * are to take. */
static void let_person_go(struct loop *l)
{
    bool turning = l->lane == LANE_TAKING_UP || l->lane == LANE_MOVING;
    take_unanswered_end(l, "the run was paused");
    if (!by_person(l) || !turning || l->axis_bad) return;
    l->axis_bad = true; /* it stops because we said so: nothing to be told */
    stop_axis(l);
    loop_look_at_axis(l);
    loop_enter(l, LANE_ENDING);
}

static void wish(struct loop *l, int wishes)
{
    outage_end(l);
    if (wishes < 2) let_person_go(l);
    if (wishes < 2 || l->halted) return;
    l->halted = true;
    stop_axis(l);
    loop_look_at_axis(l);
    take_all_unfetched_end(l, "halted by hand");
    if (l->lane != LANE_OVER) loop_enter(l, LANE_ENDING);
}

/* The camera's cable: known at once, where the camera itself would be silent for long. */
static void pulled(struct loop *l)
{
    struct err why;
    fail(&why, E_IO, "camera: its cable was pulled or it was switched off; plug it in again");
    if (!outage_camera(l, &why)) loop_fault(l, &why);
}

/* A person takes the time that a person takes. */
static int64_t watchdog_due(const struct loop *l)
{
    const struct plan_timeline *t = &l->opts.plan->timeline;
    if (by_person(l) && l->axis.phase == AXIS_MOVING) return SCHED_NEVER;
    return l->last_progress_us + WATCHDOG_US + l->camera_facts.wait_us + t->start_delay_us + t->settle_us +
           t->recycle_us + l->opts.job->exposure_us;
}

static void watch(struct loop *l)
{
    if (loop_now(l) < watchdog_due(l)) return;
    struct err why;
    fail(&why, E_DAMAGED,
         "nothing has happened for too long while slice %d was to be shot; look at the bench",
         (int)l->slots[l->at_slot].number);
    loop_fault(l, &why);
    stop_axis(l);
    if (l->lane != LANE_ENDING) loop_enter(l, LANE_ENDING);
    loop_moved_on(l);
}

void loop_step(struct loop *l, const struct rig_event *ev)
{
    l->result.events++;
    switch (ev->kind) {
    case RIG_WISH:
        wish(l, ev->wishes);
        break;
    case RIG_AXIS:
        loop_look_at_axis(l);
        break;
    case RIG_CAMERA:
        take_camera_event(l, &ev->camera);
        break;
    case RIG_WORK:
        if (outage_work(l, (struct job_work *)ev->work)) break;
        take_work_done(l, ev->work);
        neighbours_work_done(l, (struct job_work *)ev->work);
        compare_work_done(l, (struct job_work *)ev->work);
        work_free(ev->work);
        break;
    case RIG_PLUGGED:
        outage_plugged(l);
        break;
    case RIG_PULLED:
        pulled(l);
        break;
    case RIG_DEADLINE:
        break;
    }
    outage_step(l);
    take_check_deadlines(l);
    advance(l);
    if (l->lane != LANE_OVER) watch(l);
}

static void sooner(int64_t *at, int64_t other)
{
    if (other < *at) *at = other;
}

int64_t loop_deadline_us(const struct loop *l)
{
    int64_t at = watchdog_due(l);
    sooner(&at, outage_due_us(l));
    for (int i = 0; i < LOOP_FRAMES_MOST; i++) {
        const struct take *t = &l->takes[i];
        bool waits = t->stage >= TAKE_FIRED && t->stage <= TAKE_FETCHING;
        if (waits && !l->outages[OUTAGE_CAMERA].out) sooner(&at, t->deadline_us);
    }
    if (l->lane == LANE_SETTLING) {
        if (!l->at_serial && begin_due(l) > loop_now(l)) sooner(&at, begin_due(l));
        if (l->at_serial && l->fire_due_us > loop_now(l)) sooner(&at, l->fire_due_us);
    }
    if (l->lane == LANE_ENDING) sooner(&at, l->ending_since_us + LAST_WAIT_US);
    return at;
}

bool loop_over(const struct loop *l)
{
    return l->lane == LANE_OVER;
}
