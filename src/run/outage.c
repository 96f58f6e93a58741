#include "run/outage.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/units.h"
#include "run/loop_state.h"

#define FIRST_TRY_US  250000
#define LONGEST_US    10000000 /* between two tries; our choice */
#define TIMES_MOST    5        /* without a kept frame between; our choice */
#define CLOCK_TELL_US 2000000  /* a sleep, or a clock set, shorter than that is not worth a word */

static const struct {
    const char *name;
    int64_t limit_us; /* our choice: a cable is found in ten minutes, a disk takes longer to tidy */
} KINDS[OUTAGE_KINDS] = {
    [OUTAGE_AXIS] = {"the axis", INT64_C(600000000)},
    [OUTAGE_CAMERA] = {"the camera", INT64_C(600000000)},
    [OUTAGE_DISK] = {"the disk", INT64_C(1800000000)},
};

static bool may_wait(const struct loop *l, enum outage_kind kind)
{
    bool ends = l->pausing || l->halted || l->lane == LANE_OVER;
    return !ends && l->outages[kind].times < TIMES_MOST;
}

static void say_away(struct loop *l, struct outage *o)
{
    if (o->told) return;
    o->told = true;
    loop_note(l, "waited", "", l->at_slot, "waiting: %.150s; it goes on by itself", o->why.text);
    loop_tell(l, "waiting");
}

static void schedule(struct loop *l, struct outage *o)
{
    int64_t wait = FIRST_TRY_US;
    for (int i = 0; i < o->tries && wait < LONGEST_US; i++)
        wait *= 2;
    o->trying = false;
    o->next_us = loop_now(l) + (wait < LONGEST_US ? wait : LONGEST_US);
    if (o->tries) say_away(l, o); /* what is back at once is not worth a word */
}

static void begin(struct loop *l, enum outage_kind kind, const struct err *why)
{
    struct outage *o = &l->outages[kind];
    *o = (struct outage){.out = true, .since_us = loop_now(l), .times = o->times + 1, .why = *why};
    schedule(l, o);
}

static void is_back(struct loop *l, enum outage_kind kind)
{
    struct outage *o = &l->outages[kind];
    bool told = o->told;
    o->out = o->trying = o->told = false;
    loop_moved_on(l);
    if (!told) return;
    loop_note(l, "waited", "", l->at_slot, "%s is there again after %.0f s; it goes on", KINDS[kind].name,
              s_from_us(loop_now(l) - o->since_us));
    loop_tell(l, "going on");
}

/* ---- the axis */

/* Where it ought to stand when it is met again. */
static void remember_place(struct loop *l)
{
    bool moving = l->lane == LANE_MOVING || l->lane == LANE_TAKING_UP;
    bool knows = l->axis.known == AXIS_KNOWN && l->lane != LANE_HOMING;
    l->past_nonce = l->axis.nonce;
    l->past_reached = STACK_NONE;
    if (knows && moving) l->past_reached = l->move_target;
    if (knows && !moving && l->axis.phase == AXIS_REST) l->past_reached = l->axis.position_counts;
    l->woken = false;
}

static void look_anew(struct loop *l)
{
    remember_place(l);
    take_doubt_exposing(l);
    take_unfired_end(l, "the axis was out of sight");
    l->lane = LANE_WAITING;
}

/* It is there, but does not know where it stands. */
static void start_over(struct loop *l, bool restarted)
{
    struct outage *o = &l->outages[OUTAGE_AXIS];
    remember_place(l);
    o->times++;
    take_doubt_exposing(l);
    take_doubt_over(l, false);
    take_unfired_end(l, "the axis stopped");
    loop_note(l, "waited", "", l->at_slot, "the rail %s; it is homed again now, keep your hands away",
              restarted ? "restarted and does not know where it stands" : "stopped, since it heard nothing");
    loop_tell(l, "homing again");
    l->lane = LANE_HOMING;
    l->homing = HOMING_WAKING;
}

bool outage_axis(struct loop *l, const struct axis_state *now)
{
    const struct axis_ops *ops = l->rig->axis->ops;
    bool stopped = now->phase == AXIS_STOPPED && (ops->caps & AXIS_HOMES);
    bool restarted = stopped && l->axis.nonce != now->nonce;
    bool missed_us = stopped && now->why.code == E_TIMEOUT;
    if (!l->axis_seen || !may_wait(l, OUTAGE_AXIS)) return false;
    if (now->phase == AXIS_GONE && ops->again) {
        begin(l, OUTAGE_AXIS, &now->why);
        look_anew(l);
        return true;
    }
    if (restarted || missed_us) start_over(l, restarted);
    return restarted || missed_us;
}

void outage_axis_looked(struct loop *l)
{
    struct outage *o = &l->outages[OUTAGE_AXIS];
    if (l->axis.phase == AXIS_STARTING) return;
    if (l->axis.phase == AXIS_GONE) {
        if (!o->trying) return;
        if (l->axis.why.code) o->why = l->axis.why;
        schedule(l, o);
        return;
    }
    is_back(l, OUTAGE_AXIS);
    l->lane = LANE_HOMING;
    l->homing = HOMING_WAKING;
}

static void try_axis(struct loop *l)
{
    struct outage *o = &l->outages[OUTAGE_AXIS];
    struct err why = {0};
    o->tries++;
    o->trying = true;
    if (axis_again(l->rig->axis, &why)) schedule(l, o);
}

/* ---- the camera */

bool outage_camera(struct loop *l, const struct err *why)
{
    if (l->outages[OUTAGE_CAMERA].out) return true;
    if (!l->rig->camera->ops->again || !may_wait(l, OUTAGE_CAMERA)) return false;
    begin(l, OUTAGE_CAMERA, why);
    take_unfired_end(l, "the camera was gone");
    return true;
}

static void try_camera(struct loop *l)
{
    struct outage *o = &l->outages[OUTAGE_CAMERA];
    struct err why = {0};
    o->tries++;
    int rc = camera_again(l->rig->camera, &why);
    if (!rc) rc = loop_prepare_camera(l, &why);
    if (rc) {
        schedule(l, o);
        return;
    }
    is_back(l, OUTAGE_CAMERA);
    take_ask_again(l);
}

/* ---- the disk */

static bool is_of_disk(const struct job_work *j)
{
    return j->base.kind != JOB_MEASURE && j->base.kind != JOB_PAIR;
}

static void park(struct loop *l, struct job_work *j)
{
    struct work **at = &l->parked;
    while (*at && !j->probe)
        at = &(*at)->next;
    j->base.next = *at;
    *at = &j->base;
    j->probe = false;
}

static struct work *unpark(struct loop *l)
{
    struct work *w = l->parked;
    l->parked = w->next;
    w->next = NULL;
    return w;
}

static void do_again(struct loop *l, struct job_work *j)
{
    int64_t wait = l->fire_due_us - loop_now(l);
    if (j->base.kind == JOB_BEGIN)
        j->row.triggered_at_us = sched_wall_us(l->rig->sched) + (wait > 0 ? wait : 0);
    j->rc = 0;
    j->why = (struct err){0};
    job_start(l, j);
}

bool outage_work(struct loop *l, struct job_work *j)
{
    struct outage *o = &l->outages[OUTAGE_DISK];
    if (!is_of_disk(j)) return false;
    if (j->rc == E_FULL && (o->out || may_wait(l, OUTAGE_DISK)) && !l->disk_dead) {
        if (!o->out) {
            fail(&j->why, E_FULL, "the disk that holds the stack is full; make room on it");
            begin(l, OUTAGE_DISK, &j->why);
        }
        if (j->probe) schedule(l, o);
        park(l, j);
        return true;
    }
    if (!j->probe) return false;
    j->probe = false;
    if (o->out) is_back(l, OUTAGE_DISK);
    while (l->parked)
        do_again(l, (struct job_work *)unpark(l));
    return false;
}

static void try_disk(struct loop *l)
{
    struct outage *o = &l->outages[OUTAGE_DISK];
    if (!l->parked) {
        is_back(l, OUTAGE_DISK);
        return;
    }
    struct job_work *j = (struct job_work *)unpark(l);
    o->tries++;
    o->trying = true;
    j->probe = true;
    do_again(l, j);
}

/* ---- time */

static void look_after_sleep(struct loop *l)
{
    struct err why = {0};
    struct camera_facts facts;
    struct outage *o = &l->outages[OUTAGE_AXIS];
    const bool can = l->rig->axis->ops->again != NULL;
    if (!o->out && can && l->axis_seen && l->axis.phase != AXIS_GONE) {
        look_anew(l);
        *o = (struct outage){.out = true, .trying = true, .since_us = loop_now(l), .times = o->times};
        if (axis_again(l->rig->axis, &why)) loop_fault(l, &why);
    }
    why = (struct err){0};
    int rc = camera_describe(l->rig->camera, &facts, &why);
    if (!rc && facts.epoch == l->camera_facts.epoch) return;
    if (!rc) fail(&why, E_IO, "the camera was switched off and on");
    outage_camera(l, &why);
}

static void look_at_clocks(struct loop *l)
{
    const struct sched *s = l->rig->sched;
    int64_t slept = sched_slept_us(s) - l->slept_us, set = sched_clock_set_us(s) - l->clock_set_us;
    if (llabs(set) > CLOCK_TELL_US) {
        l->clock_set_us += set;
        loop_note(l, "clock", "", l->at_slot,
                  "this computer's clock was set %s by %.0f s; the stack goes on by the old one",
                  set < 0 ? "back" : "forward", s_from_us(llabs(set)));
    }
    if (slept <= CLOCK_TELL_US) return;
    l->slept_us += slept;
    loop_note(l, "slept", "Switch its sleep off while a stack is shot.", l->at_slot,
              "this computer slept for %.0f s; axis and camera are looked at, then it goes on",
              s_from_us(slept));
    loop_tell(l, "waiting");
    if (!l->pausing && l->lane != LANE_OVER) look_after_sleep(l);
}

static void in_vain(struct loop *l, enum outage_kind kind)
{
    struct outage *o = &l->outages[kind];
    struct err why;
    fail(&why, o->why.code, "%.400s (waited %.0f min)", o->why.text,
         s_from_us(loop_now(l) - o->since_us) / 60);
    loop_fault(l, &why);
    outage_end(l);
}

static void try_again(struct loop *l, enum outage_kind kind)
{
    static void (*const TRY[OUTAGE_KINDS])(struct loop *) = {try_axis, try_camera, try_disk};
    TRY[kind](l);
}

void outage_step(struct loop *l)
{
    look_at_clocks(l);
    for (int k = 0; k < OUTAGE_KINDS; k++) {
        struct outage *o = &l->outages[k];
        if (!o->out) continue;
        l->ending_since_us = loop_now(l);
        loop_moved_on(l);
        if (loop_now(l) - o->since_us >= KINDS[k].limit_us)
            in_vain(l, (enum outage_kind)k);
        else if (!o->trying && loop_now(l) >= o->next_us)
            try_again(l, (enum outage_kind)k);
    }
}

int64_t outage_due_us(const struct loop *l)
{
    int64_t at = SCHED_NEVER;
    for (int k = 0; k < OUTAGE_KINDS; k++) {
        const struct outage *o = &l->outages[k];
        int64_t due = o->since_us + KINDS[k].limit_us;
        if (!o->trying && o->next_us < due) due = o->next_us;
        if (o->out && due < at) at = due;
    }
    return at;
}

/* Its node in the system may take a moment: tried again soon, and then as from the beginning. */
void outage_plugged(struct loop *l)
{
    for (int k = 0; k < OUTAGE_KINDS; k++) {
        struct outage *o = &l->outages[k];
        if (!o->out || o->trying) continue;
        o->tries = 0;
        schedule(l, o);
    }
}

void outage_frame_kept(struct loop *l)
{
    for (int k = 0; k < OUTAGE_KINDS; k++)
        l->outages[k].times = 0;
}

void outage_end(struct loop *l)
{
    bool camera = l->outages[OUTAGE_CAMERA].out, disk = l->outages[OUTAGE_DISK].out;
    struct err full = l->outages[OUTAGE_DISK].why;
    for (int k = 0; k < OUTAGE_KINDS; k++)
        l->outages[k].out = false;
    l->pausing = true;
    take_doubt_over(l, false);
    if (disk) loop_disk_fault(l, &full);
    if (camera) take_all_unfetched_end(l, "the camera was gone");
}

void outage_free(struct loop *l)
{
    while (l->parked)
        work_free(unpark(l));
}
