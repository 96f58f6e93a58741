#include "run/axis_session.h"

#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/mem.h"
#include "base/units.h"
#include "config/config.h"
#include "plan/plan.h"
#include "plan/slices.h"
#include "plan/timeline.h"
#include "run/session.h"
#include "staddle/wire.h"

#define PARK_NM      300000    /* from the near end: off the switch, and far from the subject; our choice */
#define HOME_MOST_US 600000000 /* a slow rail over a long way; our choice */
#define SPARE_US     60000000  /* beyond the time that a move should take; our choice */
#define SHORT_US     5000000   /* for what moves nothing, and for a halt; our choice */

#define CLEAR "keep fingers and cables clear"

int64_t axis_session_nm(const struct axis_session *s, int64_t counts)
{
    return slices_nm_of(counts, s->job.plan.nm_per_count_num, s->job.plan.nm_per_count_den);
}

int64_t axis_session_counts(const struct axis_session *s, int64_t nm)
{
    return slices_counts_of(nm, s->job.plan.nm_per_count_num, s->job.plan.nm_per_count_den);
}

/* ---- opening */

static void set_far_bound(struct axis_session *s)
{
    const struct bench *b = &s->job.bench;
    const bool near_known =
        s->job_given && (s->job.job.depth_kind == DEPTH_MARKS || s->job.job.near_mark.at[0]);
    if (!near_known || !b->axis.clearance_nm) return;
    s->bounds.hi_known = true;
    const struct mark *mark = &s->job.job.near_mark;
    const int64_t near_nm = mark->at[0] ? mark->position_nm : s->job.job.near_nm;
    s->bounds.hi_counts = axis_session_counts(s, near_nm + b->axis.clearance_nm);
    snprintf(s->bounds.hi_from, sizeof s->bounds.hi_from,
             "clearance_mm %.6g beyond the near mark at %.4f mm, %.60s:%d", mm_from_nm(b->axis.clearance_nm),
             mm_from_nm(near_nm), b->path, (int)origin_line(&b->origins, "axis.clearance_mm"));
}

static void set_near_bound(struct axis_session *s)
{
    if (!(s->rig->axis->ops->caps & AXIS_HOMES)) return;
    s->bounds.lo_known = true;
    s->bounds.lo_counts = bench_home_counts(s->rig, 0);
    snprintf(s->bounds.lo_from, sizeof s->bounds.lo_from, "the near end, where home finds the zero");
}

static bool is_virtual(const struct axis_session_opts *o, const struct bench *b)
{
    const bool axis = b->axis.by_lens || (!strcmp(b->axis.link, "simulated") && !b->axis.world[0]);
    return o->virtual_clock || (o->virtual_if_simulated && axis && !strcmp(b->camera.kind, "simulated"));
}

int axis_session_open(const struct axis_session_opts *o, struct axis_session **out, struct err *why)
{
    struct axis_session *s = mem_new(1, sizeof *s, why);
    if (!s) return E_NOMEM;
    s->job_given = o->job_path != NULL;
    s->tell = o->tell;
    s->arg = o->arg;
    int rc = s->job_given ? session_read_job(o->job_path, o->bench_path, &s->job, why)
                          : session_read_bench(o->bench_path, &s->job, why);
    struct rig_opts rig = o->rig;
    rig.no_camera = !o->camera_too;
    const bool made_up = !rc && is_virtual(o, &s->job.bench);
    rig.scene_later = made_up || !o->camera_too; /* in real time a first picture would come too late */
    if (!rc) rc = session_open_rig(&rig, &s->job, made_up, &s->rig, why);
    if (rc) {
        axis_session_close(s);
        return rc;
    }
    set_near_bound(s);
    set_far_bound(s);
    *out = s;
    return E_OK;
}

void axis_session_borrow(struct axis_session *s, struct rig *rig, const struct shoot_job *job)
{
    *s = (struct axis_session){.rig = rig, .job = *job, .job_given = true};
    set_near_bound(s);
    set_far_bound(s);
}

void axis_session_close(struct axis_session *s)
{
    if (!s) return;
    bench_close(s->rig);
    shoot_job_clear(&s->job);
    mem_free(s);
}

/* ---- waiting */

static int64_t now_us(const struct axis_session *s)
{
    return sched_now_us(s->rig->sched);
}

static int look(struct axis_session *s, struct err *why)
{
    return axis_poll(s->rig->axis, &s->state, why);
}

static bool in_motion(const struct axis_state *st)
{
    return st->phase == AXIS_MOVING || st->phase == AXIS_FINDING;
}

static int halt_now(struct axis_session *s, struct err *why)
{
    struct rig_event ev;
    const int64_t until = now_us(s) + SHORT_US;
    int rc = axis_halt(s->rig->axis, why);
    if (rc) return rc;
    while (!(rc = look(s, why)) && in_motion(&s->state) && now_us(s) < until)
        bench_wait(s->rig, until, &ev);
    if (rc) return rc;
    if (in_motion(&s->state))
        return fail(why, E_IO, "the axis does not say that it has stopped; cut its power");
    if (s->state.known == AXIS_UNKNOWN) return fail(why, E_PAUSED, "halted by hand");
    return fail(why, E_PAUSED, "halted by hand at %.4f mm",
                mm_from_nm(axis_session_nm(s, s->state.position_counts)));
}

static int say_bad(const struct axis_session *s, struct err *why)
{
    const struct err *w = &s->state.why;
    if (!w->code)
        return fail(why, E_STATE, "the axis is %s; look at the bench", axis_phase_text(s->state.phase));
    return fail(why, w->code, "%s", w->text);
}

typedef bool done_fn(const struct axis_session *, int64_t wanted);

static int wait_until(struct axis_session *s, done_fn *done, int64_t wanted, int64_t most_us, struct err *why)
{
    const bool person = s->rig->axis->ops->caps & AXIS_WAITS_FOR_PERSON;
    const int64_t until = person ? SCHED_NEVER : now_us(s) + most_us;
    struct rig_event ev;
    for (;;) {
        int rc = look(s, why);
        if (rc) return rc;
        if (s->state.phase == AXIS_GONE) return say_bad(s, why);
        if (done(s, wanted)) return E_OK;
        if (s->state.phase == AXIS_ALARM || s->state.phase == AXIS_STOPPED) return say_bad(s, why);
        bench_wait(s->rig, until, &ev);
        if (ev.kind == RIG_WISH) return halt_now(s, why);
        if (ev.kind == RIG_DEADLINE)
            return fail(why, E_TIMEOUT, "the axis is still %s after %.0f s; look at the bench",
                        axis_phase_text(s->state.phase), s_from_us(most_us));
    }
}

static bool has_answered(const struct axis_session *s, int64_t wanted)
{
    (void)wanted;
    return s->state.phase != AXIS_STARTING;
}

static bool at_rest(const struct axis_session *s, int64_t wanted)
{
    (void)wanted;
    return s->state.phase == AXIS_REST;
}

static bool has_zero(const struct axis_session *s, int64_t wanted)
{
    return at_rest(s, wanted) && s->state.known == AXIS_KNOWN;
}

static bool stands_at(const struct axis_session *s, int64_t wanted)
{
    return at_rest(s, wanted) && s->state.known != AXIS_UNKNOWN && s->state.position_counts == wanted;
}

int axis_session_ready(struct axis_session *s, struct err *why)
{
    return wait_until(s, has_answered, 0, SPARE_US, why);
}

int axis_session_clear(struct axis_session *s, struct err *why)
{
    int rc = axis_session_ready(s, why);
    if (rc || s->state.phase == AXIS_REST) return rc;
    struct rig_event ev;
    const int64_t until = now_us(s) + SHORT_US;
    const struct err was = s->state.why;
    if ((rc = axis_clear(s->rig->axis, why))) return rc;
    while (!(rc = look(s, why)) && s->state.phase != AXIS_REST && s->state.phase != AXIS_GONE &&
           now_us(s) < until)
        bench_wait(s->rig, until, &ev);
    if (rc || s->state.phase == AXIS_REST) return rc;
    return fail(why, E_STATE, "%s", was.code ? was.text : "the axis does not leave its alarm");
}

int axis_session_key(struct axis_session *s, enum axis_key_do what, int key, int32_t *value, struct err *why)
{
    struct rig_event ev;
    const int64_t until = now_us(s) + SHORT_US;
    int rc = axis_key(s->rig->axis, what, key, *value, why);
    if (rc) return rc;
    while (axis_key_look(s->rig->axis).waiting) {
        if ((rc = look(s, why))) return rc;
        if (s->state.phase == AXIS_GONE) return say_bad(s, why);
        bench_wait(s->rig, until, &ev);
        if (ev.kind == RIG_WISH) return halt_now(s, why);
        if (ev.kind == RIG_DEADLINE)
            return fail(why, E_TIMEOUT, "the axis does not answer; look at its power and its cable");
    }
    const struct axis_key_state done = axis_key_look(s->rig->axis);
    if (done.why.code) return fail(why, done.why.code, "%s", done.why.text);
    if (what == AXIS_KEY_READ) *value = done.value;
    return E_OK;
}

bool axis_session_pass(struct axis_session *s, int64_t us)
{
    struct rig_event ev;
    const int64_t until = now_us(s) + us;
    do {
        bench_wait(s->rig, until, &ev);
        look(s, NULL);
        if (ev.kind == RIG_WISH) return true;
    } while (ev.kind != RIG_DEADLINE);
    return false;
}

/* ---- bounds */

static bool by_hand(const struct axis_session *s)
{
    return s->rig->axis->ops->caps & AXIS_WAITS_FOR_PERSON;
}

int axis_session_need_position(const struct axis_session *s, struct err *why)
{
    if (s->state.known != AXIS_UNKNOWN || by_hand(s)) return E_OK; /* a knob has a scale to read */
    if (s->rig->axis->ops->caps & AXIS_BY_PICTURE)
        return fail(why, E_STATE,
                    "a lens knows no place from one command to the next; drive it by distances with 'staddle "
                    "axis jog'");
    return fail(
        why, E_STATE,
        "the axis does not know where it stands, so it can only go by distances (jog); let it find "
        "its zero with 'staddle axis home' (or --home), or say where it stands with 'staddle axis set'");
}

int axis_session_check(const struct axis_session *s, int64_t position_nm, struct err *why)
{
    const struct axis_bounds *b = &s->bounds;
    const int64_t counts = axis_session_counts(s, position_nm);
    if (b->lo_known && counts < b->lo_counts)
        return fail(why, E_INPUT, "%.4f mm lies before %.4f mm: %s", mm_from_nm(position_nm),
                    mm_from_nm(axis_session_nm(s, b->lo_counts)), b->lo_from);
    if (b->hi_known && counts > b->hi_counts)
        return fail(why, E_INPUT, "%.4f mm lies beyond %.4f mm: %s", mm_from_nm(position_nm),
                    mm_from_nm(axis_session_nm(s, b->hi_counts)), b->hi_from);
    if (counts < -WIRE_FURTHEST || counts > WIRE_FURTHEST)
        return fail(why, E_INPUT, "%.4f mm is farther than the axis can count", mm_from_nm(position_nm));
    return E_OK;
}

/* A distance may leave the near end to its switch, but the subject has none. */
static int check_distance(const struct axis_session *s, int64_t distance_nm, struct err *why)
{
    const struct axis_spec *a = &s->job.bench.axis;
    const int64_t counts = axis_session_counts(s, distance_nm);
    if (counts < -WIRE_FURTHEST || counts > WIRE_FURTHEST)
        return fail(why, E_INPUT, "%.4f mm is farther than the axis can count", mm_from_nm(distance_nm));
    if (a->clearance_nm && distance_nm > a->clearance_nm)
        return fail(why, E_INPUT, "%.4f mm toward the subject is more than clearance_mm %.6g, %s:%d",
                    mm_from_nm(distance_nm), mm_from_nm(a->clearance_nm), s->job.bench.path,
                    (int)origin_line(&s->job.bench.origins, "axis.clearance_mm"));
    if (s->state.known == AXIS_UNKNOWN || distance_nm <= 0) return E_OK;
    return axis_session_check(s, axis_session_nm(s, s->state.position_counts + counts), why);
}

/* The controller keeps them, too: those of a run before may still be set. */
static int give_bounds(struct axis_session *s, bool near_too, struct err *why)
{
    const struct axis_bounds *b = &s->bounds;
    if (!(s->rig->axis->ops->caps & AXIS_LIMITS)) return E_OK;
    return axis_limits(s->rig->axis, near_too && b->lo_known ? b->lo_counts : -WIRE_FURTHEST,
                       b->hi_known ? b->hi_counts : WIRE_FURTHEST, why);
}

/* ---- moving */

static void tell(const struct axis_session *s, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void tell(const struct axis_session *s, const char *format, ...)
{
    char sentence[256];
    va_list ap;
    if (!s->tell) return;
    va_start(ap, format);
    vsnprintf(sentence, sizeof sentence, format, ap);
    va_end(ap);
    s->tell(s->arg, sentence);
}

static const char *way(int64_t counts)
{
    return counts < 0 ? "back, away from the subject" : "deeper, toward the subject";
}

static int64_t travel_us(const struct axis_session *s, int64_t counts)
{
    const struct timeline_motion m = timeline_motion(&s->job.bench);
    const int64_t nm = axis_session_nm(s, counts);
    return timeline_move_us(&m, nm < 0 ? -nm : nm);
}

int axis_session_home(struct axis_session *s, struct err *why)
{
    if (s->rig->axis->ops->caps & AXIS_BY_PICTURE)
        return fail(
            why, E_UNSUPPORTED,
            "a lens has no zero to find; focus it by eye, or drive it by distances with 'staddle axis "
            "jog'");
    if (!(s->rig->axis->ops->caps & AXIS_HOMES))
        return fail(why, E_UNSUPPORTED,
                    "%s cannot find its own zero; say with 'staddle axis set' where it stands",
                    s->rig->axis->ops->name);
    int rc = axis_session_clear(s, why);
    if (rc) return rc;
    tell(s, "the axis goes back, away from the subject, until it meets its near end, however far that "
            "is; " CLEAR);
    rc = axis_home(s->rig->axis, why);
    if (!rc) rc = wait_until(s, has_zero, 0, HOME_MOST_US, why);
    if (rc) return rc;
    const int64_t place = bench_home_counts(s->rig, s->state.position_counts);
    rc = axis_here(s->rig->axis, place, why);
    return rc ? rc : wait_until(s, stands_at, place, SHORT_US, why);
}

int axis_session_go(struct axis_session *s, int64_t position_nm, struct err *why)
{
    int rc = axis_session_clear(s, why);
    if (!rc) rc = axis_session_need_position(s, why);
    if (!rc) rc = axis_session_check(s, position_nm, why);
    if (!rc) rc = give_bounds(s, true, why);
    if (rc) return rc;
    const int64_t target = axis_session_counts(s, position_nm), from = s->state.position_counts;
    if (!by_hand(s) && target != from)
        tell(s, "the axis moves %.4f mm %s, from %.4f to %.4f mm, in about %.1f s; " CLEAR,
             mm_from_nm(axis_session_nm(s, target > from ? target - from : from - target)),
             way(target - from), mm_from_nm(axis_session_nm(s, from)), mm_from_nm(axis_session_nm(s, target)),
             s_from_us(travel_us(s, target - from)));
    rc = axis_move_to(s->rig->axis, target, why);
    return rc ? rc : wait_until(s, at_rest, 0, 2 * travel_us(s, target - from) + SPARE_US, why);
}

int axis_session_park(struct axis_session *s, struct err *why)
{
    const int64_t place_nm = axis_session_nm(s, bench_home_counts(s->rig, 0)) + PARK_NM;
    if (!(s->rig->axis->ops->caps & AXIS_HOMES))
        return fail(why, E_UNSUPPORTED, "%s cannot park: it has no near end that anybody knows of",
                    s->rig->axis->ops->name);
    int rc = axis_session_clear(s, why);
    if (!rc) rc = axis_session_need_position(s, why);
    if (rc) return rc;
    if (s->state.position_counts > axis_session_counts(s, place_nm)) return axis_session_go(s, place_nm, why);
    tell(s, "the axis stands before %.4f mm already, and stays", mm_from_nm(place_nm));
    return E_OK;
}

int axis_session_jog(struct axis_session *s, int64_t distance_nm, struct err *why)
{
    int rc = axis_session_clear(s, why);
    if (!rc) rc = check_distance(s, distance_nm, why);
    if (!rc) rc = give_bounds(s, false, why);
    if (rc) return rc;
    const int64_t counts = axis_session_counts(s, distance_nm);
    if (!counts)
        return fail(why, E_INPUT, "%.4g um is less than the axis' smallest move of %.4g um",
                    um_from_nm(distance_nm), um_from_nm(axis_session_nm(s, 1)));
    if (!by_hand(s))
        tell(s, "the axis moves %.4f mm %s, in about %.1f s; " CLEAR,
             mm_from_nm(axis_session_nm(s, counts < 0 ? -counts : counts)), way(counts),
             s_from_us(travel_us(s, counts)));
    rc = axis_jog(s->rig->axis, counts, why);
    return rc ? rc : wait_until(s, at_rest, 0, 2 * travel_us(s, counts) + SPARE_US, why);
}

int axis_session_order(struct axis_session *s, int32_t order, struct err *why)
{
    int rc = axis_session_clear(s, why);
    if (!rc) rc = axis_order(s->rig->axis, order, why);
    return rc ? rc : wait_until(s, at_rest, 0, SPARE_US, why);
}

int axis_session_here(struct axis_session *s, int64_t position_nm, struct err *why)
{
    const int64_t counts = axis_session_counts(s, position_nm);
    int rc = axis_session_clear(s, why);
    if (rc) return rc;
    if (counts < -WIRE_FURTHEST || counts > WIRE_FURTHEST)
        return fail(why, E_INPUT, "%.4f mm is farther than the axis can count", mm_from_nm(position_nm));
    rc = axis_here(s->rig->axis, counts, why);
    return rc ? rc : wait_until(s, stands_at, counts, SHORT_US, why);
}
