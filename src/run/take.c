/* The frames' lanes: one attempt at a slice, from the commit before the trigger to the commit after the last
 * byte. */
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "run/loop_state.h"
#include "run/naming.h"

#define PATIENCE_US         30000000 /* for the camera's next word, beyond the exposure; our choice */
#define FETCH_FAILURES_MOST 3

int take_count(const struct loop *l)
{
    int n = 0;
    for (int i = 0; i < LOOP_FRAMES_MOST; i++)
        n += l->takes[i].stage != TAKE_NONE;
    return n;
}

static struct take *find_token(struct loop *l, uint64_t token)
{
    for (int i = 0; i < LOOP_FRAMES_MOST; i++) {
        struct take *t = &l->takes[i];
        if (t->stage >= TAKE_FIRED && t->stage <= TAKE_FETCHING && t->token == token) return t;
    }
    return NULL;
}

static void free_take(struct take *t)
{
    for (int i = 0; i < FRAME_FILES_MOST; i++)
        picture_drop(t->pictures[i]);
    memset(t, 0, sizeof *t);
}

void take_free_all(struct loop *l)
{
    for (int i = 0; i < LOOP_FRAMES_MOST; i++)
        free_take(&l->takes[i]);
}

/* The attempt is over and its slice has no frame of it. */
static void end_take(struct loop *l, struct take *t)
{
    struct slot *s = &l->slots[t->slot];
    s->state = SLOT_TODO;
    if (!t->blameless) s->failures++;
    if (s->failures >= LOOP_FAILURES_MOST) {
        struct err why;
        char name[SLOT_NAME_ROOM];
        fail(&why, E_PAUSED, "%s failed %d times, the last time: %.200s; see to it",
             loop_name(l, t->slot, name), s->failures, t->spoilt);
        loop_fault(l, &why);
    }
    free_take(t);
    loop_moved_on(l);
}

void take_fail(struct loop *l, struct take *t, enum exposure_state state, const char *reason)
{
    t->stage = TAKE_ENDING_BADLY;
    if (reason != t->spoilt) snprintf(t->spoilt, sizeof t->spoilt, "%s", reason);
    if (!t->blameless) {
        if (state == EXPOSURE_LOST) l->result.lost++;
        loop_note(l, state == EXPOSURE_LOST ? "lost" : "failed", "It is shot again by itself.", t->slot, "%s",
                  reason);
    }
    struct job_work *j = job_new(l, JOB_END, t);
    if (!j) return;
    j->state = state;
    snprintf(j->reason, sizeof j->reason, "%s", reason);
    for (int i = 0; state == EXPOSURE_FAILED && i < t->fetched; i++)
        j->files[j->file_count++] = t->pictures[i]->file;
    job_start(l, j);
}

struct take *take_begin(struct loop *l, int32_t slot)
{
    struct take *t = NULL;
    for (int i = 0; !t && i < LOOP_FRAMES_MOST; i++)
        if (l->takes[i].stage == TAKE_NONE) t = &l->takes[i];
    if (!t) return NULL;
    enum exposure_purpose purpose = slot < l->slot_count      ? PURPOSE_STACK
                                    : compare_of(l, slot) < 0 ? PURPOSE_CLOSING
                                                              : PURPOSE_REFERENCE;
    bool stack = purpose == PURPOSE_STACK;
    *t = (struct take){.stage = TAKE_BEGINNING, .serial = ++l->last_serial, .slot = slot};
    int64_t wait = l->fire_due_us - loop_now(l);
    t->row = (struct exposure_row){.purpose = purpose,
                                   .plan_id = stack ? l->opts.plan_id : STACK_NONE,
                                   .slice = stack ? l->slots[slot].number : 0,
                                   .nonce = l->axis.nonce,
                                   .fire_seq = ++l->fire_seq,
                                   .camera_epoch = l->camera_facts.epoch,
                                   .reached_counts = l->axis.position_counts,
                                   .settle_us = l->fire_due_us - l->axis.rest_at_us,
                                   .triggered_at_us = sched_wall_us(l->rig->sched) + (wait > 0 ? wait : 0),
                                   .exposure_us = l->opts.job->exposure_us};
    l->slots[slot].state = SLOT_FLYING;
    job_start(l, job_new(l, JOB_BEGIN, t));
    return t;
}

void take_fire(struct loop *l, struct take *t)
{
    struct err why = {0};
    t->token = exposure_token(l->stack_mark, &t->row);
    t->stage = TAKE_FIRED;
    t->deadline_us = loop_now(l) + l->opts.bench->camera.shutter_lag_us + l->opts.job->exposure_us +
                     l->camera_facts.wait_us + PATIENCE_US;
    if (l->fires++ == 0) l->first_fire_us = loop_now(l);
    if (t->row.attempt > 1 && t->row.purpose != PURPOSE_REFERENCE) l->result.retakes++;
    l->flash_ready_us = loop_now(l) + l->opts.plan->timeline.recycle_us;
    int rc = camera_trigger(l->rig->camera, t->token, &why);
    if (!rc) return;
    bool waits = (rc == E_IO || rc == E_TIMEOUT) && outage_camera(l, &why);
    t->blameless = rc == E_IO;
    if (rc == E_IO && !waits) loop_fault(l, &why);
    l->result.failed++;
    take_fail(l, t, EXPOSURE_FAILED, why.text);
}

static void fetch_next(struct loop *l, struct take *t)
{
    struct err why = {0};
    t->deadline_us = loop_now(l) + PATIENCE_US;
    while (camera_fetch(l->rig->camera, t->token, &t->objects[t->fetched], &why)) {
        bool away = why.code == E_IO || why.code == E_TIMEOUT;
        if (away && outage_camera(l, &why)) return;
        if (why.code == E_IO) loop_fault(l, &why);
        if (why.code == E_IO || ++t->fetch_failures >= FETCH_FAILURES_MOST) {
            take_fail(l, t, EXPOSURE_LOST, why.text);
            return;
        }
    }
}

static void object_known(struct loop *l, struct take *t, const struct camera_object *o)
{
    if (t->object_count == FRAME_FILES_MOST) return;
    for (int i = 0; i < t->object_count; i++)
        if (!strcmp(t->objects[i].name, o->name)) return;
    t->objects[t->object_count++] = *o;
    if (t->object_count > 1) return;
    snprintf(t->row.object_name, sizeof t->row.object_name, "%s", o->name);
    t->row.object_bytes = o->bytes;
    job_start(l, job_new(l, JOB_SEEN, t));
}

static void completed(struct loop *l, struct take *t)
{
    if (camera_caps(l->rig->camera) & CAMERA_KEEPS_FILES) {
        t->stage = TAKE_DEVELOPING;
        take_decide(l, t);
        return;
    }
    if (t->object_count == 0) {
        take_fail(l, t, EXPOSURE_LOST, "the camera exposed and kept nothing");
        return;
    }
    t->stage = TAKE_FETCHING;
    take_leave_raws(l, t);
    fetch_next(l, t);
}

static void start_measuring(struct loop *l, struct take *t)
{
    int first = 0; /* the disk may not have the files yet: their rows say nothing */
    for (int i = 1; i < t->fetched; i++)
        if (t->objects[first].role != FILE_JPEG && t->objects[i].role == FILE_JPEG) first = i;
    t->main = t->pictures[first];
    t->measuring = true;
    struct job_work *j = job_new(l, JOB_MEASURE, t);
    if (j) j->picture = picture_hold(t->main);
    job_start(l, j);
}

static void file_came(struct loop *l, struct take *t, const struct camera_event *ev)
{
    struct err why = {0};
    char room[12];
    struct picture *p = mem_new(1, sizeof *p, &why);
    if (!p || store_frame_name(p->name, sizeof p->name, &t->row, frame_ending(&ev->object, room), &why)) {
        mem_free(p);
        mem_free(ev->bytes);
        loop_fault(l, &why);
        take_fail(l, t, EXPOSURE_LOST, why.text);
        return;
    }
    p->refs = 1;
    p->bytes = ev->bytes;
    p->byte_count = ev->byte_count;
    t->objects[t->fetched].role = ev->object.role; /* by its content, where the camera's name was wrong */
    t->pictures[t->fetched++] = p;
    t->puts_out++;
    struct job_work *j = job_new(l, JOB_PUT, t);
    if (j) j->picture = picture_hold(p);
    job_start(l, j);
    if (t->fetched < t->object_count) {
        fetch_next(l, t);
        return;
    }
    t->stage = TAKE_DEVELOPING;
    start_measuring(l, t);
}

static void fetched(struct loop *l, struct take *t, const struct camera_event *ev)
{
    if (!ev->why.code) {
        file_came(l, t, ev);
    } else if (++t->fetch_failures < FETCH_FAILURES_MOST) {
        loop_note(l, "transfer", "", t->slot, "%s; asked for again", ev->why.text);
        fetch_next(l, t);
    } else {
        take_fail(l, t, EXPOSURE_LOST, ev->why.text);
    }
}

void take_camera_event(struct loop *l, const struct camera_event *ev)
{
    if (ev->kind == CAMERA_GONE) {
        if (outage_camera(l, &ev->why)) return;
        loop_fault(l, &ev->why);
        take_all_unfetched_end(l, ev->why.text);
        return;
    }
    if (ev->kind == CAMERA_REMARK) {
        loop_note(l, "camera", "", l->at_slot, "%s", ev->why.text);
        return;
    }
    struct take *t = find_token(l, ev->token);
    if (!t) { /* of an attempt that was given up */
        mem_free(ev->bytes);
        return;
    }
    loop_moved_on(l);
    switch (ev->kind) {
    case CAMERA_EXPOSED:
        if (t->stage == TAKE_FIRED) t->stage = TAKE_EXPOSED;
        if (!ev->fired_us) break;
        t->row.triggered_at_us = sched_wall_us(l->rig->sched) - loop_now(l) + ev->fired_us;
        l->flash_ready_us =
            ev->fired_us + l->opts.bench->camera.shutter_lag_us + l->opts.plan->timeline.recycle_us;
        break;
    case CAMERA_OBJECT:
        object_known(l, t, &ev->object);
        break;
    case CAMERA_COMPLETE:
        completed(l, t);
        break;
    case CAMERA_FETCHED:
        fetched(l, t, ev);
        break;
    case CAMERA_FAILED:
        l->result.failed++;
        if (ev->why.code == E_STATE) loop_fault(l, &ev->why); /* a person has to see to it first */
        take_fail(l, t, t->object_count ? EXPOSURE_LOST : EXPOSURE_FAILED, ev->why.text);
        break;
    case CAMERA_GONE:
    case CAMERA_REMARK:
    case CAMERA_NOTHING:
        break;
    }
}

/* Of what the camera holds for this attempt, that which did not come is fetched. */
static void fetch_the_rest(struct loop *l, struct take *t)
{
    struct camera_object found[FRAME_FILES_MOST];
    int32_t count = -1;
    struct err why = {0};
    if (camera_held(l->rig->camera, t->token, found, FRAME_FILES_MOST, &count, &why) &&
        outage_camera(l, &why))
        return;
    for (int32_t i = 0; i < count; i++)
        object_known(l, t, &found[i]);
    if (count == 0 || !t->object_count) {
        if (t->blameless) l->result.lost++; /* else fail_take counts it */
        take_fail(l, t, EXPOSURE_LOST,
                  count ? "nobody can tell whether it was exposed" : "the camera holds nothing of it");
        return;
    }
    l->result.recovered++;
    t->stage = TAKE_FETCHING;
    take_leave_raws(l, t);
    fetch_next(l, t);
}

void take_ask_again(struct loop *l)
{
    for (int i = 0; i < LOOP_FRAMES_MOST; i++) {
        struct take *t = &l->takes[i];
        if (t->stage < TAKE_FIRED || t->stage > TAKE_FETCHING) continue;
        t->blameless = true;
        fetch_the_rest(l, t);
    }
}

/* Only its card can tell, and the job says that a person is to be asked. */
static void leave_in_doubt(struct loop *l, struct take *t)
{
    struct err why;
    char name[SLOT_NAME_ROOM];
    fail(&why, E_STATE,
         "%s: nobody can tell whether it was exposed; bring the camera's card with 'import --pair', then "
         "resume, or "
         "resume with --doubtful shoot_again",
         loop_name(l, t->slot, name));
    loop_fault(l, &why);
    t->blameless = true;
    take_fail(l, t, EXPOSURE_DOUBTFUL, "doubtful: nobody can tell whether it was exposed");
}

/* The camera did not say what it should have said by now: ask what it holds, and go on without. */
static void out_of_patience(struct loop *l, struct take *t)
{
    char reason[128];
    int32_t held = -1;
    struct err why = {0};
    int rc = camera_recount(l->rig->camera, t->token, &held, &why);
    if (!rc && t->stage == TAKE_FETCHING) rc = fail(&why, E_TIMEOUT, "the camera hangs in a transfer");
    if ((rc == E_IO || rc == E_TIMEOUT) && outage_camera(l, &why)) return;
    if (!rc && held > 0 && l->rig->camera->ops->held) {
        loop_note(l, "silent", "", t->slot, "the camera fell silent; what it holds is fetched");
        fetch_the_rest(l, t);
        return;
    }
    if (!rc && held < 0 && l->opts.job->ask_in_doubt && camera_caps(l->rig->camera) & CAMERA_KEEPS_FILES) {
        leave_in_doubt(l, t);
        return;
    }
    if (rc == E_IO) {
        loop_fault(l, &why);
        snprintf(reason, sizeof reason, "%.127s", why.text);
    } else if (held > 0) {
        snprintf(reason, sizeof reason, "the camera fell silent, and holds %d file(s) of it", (int)held);
    } else {
        snprintf(reason, sizeof reason, "the camera fell silent%s",
                 held == 0 ? ", and holds nothing of it" : "");
    }
    take_fail(l, t, EXPOSURE_LOST, reason);
}

void take_check_deadlines(struct loop *l)
{
    if (l->outages[OUTAGE_CAMERA].out) return;
    for (int i = 0; i < LOOP_FRAMES_MOST; i++) {
        struct take *t = &l->takes[i];
        bool waits = t->stage >= TAKE_FIRED && t->stage <= TAKE_FETCHING;
        if (waits && loop_now(l) >= t->deadline_us) out_of_patience(l, t);
    }
}

void take_all_unfetched_end(struct loop *l, const char *reason)
{
    take_unfired_end(l, reason);
    for (int i = 0; i < LOOP_FRAMES_MOST; i++) {
        struct take *t = &l->takes[i];
        if (t->stage < TAKE_FIRED || t->stage > TAKE_FETCHING) continue;
        t->blameless = true;
        l->result.lost++;
        take_fail(l, t, EXPOSURE_LOST, reason);
    }
}

void take_unfired_end(struct loop *l, const char *reason)
{
    for (int i = 0; i < LOOP_FRAMES_MOST; i++) {
        struct take *t = &l->takes[i];
        if (t->stage != TAKE_READY) continue;
        char text[128];
        snprintf(text, sizeof text, "not fired: %.110s", reason);
        t->blameless = true;
        take_fail(l, t, EXPOSURE_FAILED, text);
    }
}

static bool others_fire(const struct loop *l)
{
    return camera_caps(l->rig->camera) & CAMERA_OTHERS_FIRE;
}

void take_unanswered_end(struct loop *l, const char *reason)
{
    char text[128];
    int32_t held;
    if (!others_fire(l)) return;
    snprintf(text, sizeof text, "not taken: %.110s", reason);
    take_unfired_end(l, reason);
    for (int i = 0; i < LOOP_FRAMES_MOST; i++) {
        struct take *t = &l->takes[i];
        if (t->stage != TAKE_FIRED || t->object_count) continue;
        camera_recount(l->rig->camera, t->token, &held, NULL); /* nothing comes of it any more */
        t->blameless = true;
        take_fail(l, t, EXPOSURE_FAILED, text);
    }
}

bool take_exposing(const struct loop *l)
{
    bool any = false;
    for (int i = 0; i < LOOP_FRAMES_MOST; i++)
        any = any || l->takes[i].stage == TAKE_FIRED;
    return any;
}

static void let_bytes_go(struct picture *p)
{
    mem_free(p->bytes);
    p->bytes = NULL;
}

static void measured(struct loop *l, struct take *t, const struct job_work *j)
{
    t->measuring = false;
    j->picture->measured = true;
    if (j->rc) snprintf(t->spoilt, sizeof t->spoilt, "%.127s", j->why.text);
    take_decide(l, t);
}

static void begun(struct loop *l, struct take *t, const struct job_work *j)
{
    t->row = j->row;
    t->stage = TAKE_READY;
    bool stands = l->axis.phase == AXIS_REST && l->at_serial == t->serial;
    if (l->halted || !stands || l->outages[OUTAGE_CAMERA].out) take_unfired_end(l, "the bench was halted");
    if (l->pausing && others_fire(l)) take_unfired_end(l, "the run was paused");
}

static void own_work_done(struct loop *l, struct take *t, const struct job_work *j)
{
    if (j->base.kind == JOB_PUT) t->puts_out--;
    if (j->rc && j->base.kind != JOB_MEASURE) {
        loop_disk_fault(l, &j->why);
        return;
    }
    loop_moved_on(l);
    switch ((enum job_kind)j->base.kind) {
    case JOB_BEGIN:
        begun(l, t, j);
        break;
    case JOB_PUT:
        take_decide(l, t);
        break;
    case JOB_MEASURE:
        measured(l, t, j);
        break;
    case JOB_KEEP:
    case JOB_CARD:
        loop_kept(l, t);
        free_take(t);
        break;
    case JOB_END:
        end_take(l, t);
        break;
    case JOB_SEEN:
    case JOB_PAIR:
    case JOB_DERIVED:
    case JOB_COMPARE:
    case JOB_EVENT:
        break;
    }
}

void take_work_done(struct loop *l, struct work *w)
{
    struct job_work *j = (struct job_work *)w;
    if (j->base.kind == JOB_PUT) j->picture->put = true;
    if (j->take && j->take->serial == j->serial) own_work_done(l, j->take, j);
    if (j->picture && j->picture->put && j->picture->measured) let_bytes_go(j->picture);
}
