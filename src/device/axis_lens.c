#include "device/axis_lens.h"

#include <inttypes.h>
#include <stdlib.h>

#include "base/mem.h"
#include "staddle/wire.h"

#define DETOUR          64      /* counts; our choice */
#define ORDER_MOST      1000    /* counts of one order, so that a halt comes soon; our choice */
#define REST_SIZES_US   100000  /* the library does not wait for a motor of named sizes (guess) */
#define LATE_US         1000000 /* what was taken late is given so long to end; our choice */
#define BUSY_FIRST_US   50000
#define BUSY_LONGEST_US 1600000
#define BUSY_TIMES_MOST 12 /* about ten seconds; our choice */

struct lens {
    struct axis base;
    struct sched *sched;
    struct axis_lens_opts opts;
    struct lens_kind kind;
    struct axis_state st;
    bool out;      /* an order is under way */
    int32_t order; /* that one, in counts; 0: nobody knows */
    int32_t alone; /* the one that was asked for by itself, until it is made; 0: none */
    int32_t last;  /* the one before */
    bool halting;
    bool detour, detoured; /* what is too short is gone as a way back and a longer one forth */
    int refused;           /* in a row */
    sched_id call;
    int64_t lo_counts, hi_counts; /* both 0: none */
};

static struct lens *lens_of(struct axis *ax)
{
    return (struct lens *)ax;
}

static void notice(struct lens *x)
{
    if (x->base.notice) x->base.notice(x->base.notice_arg);
}

static void lose_place(struct lens *x)
{
    x->st.known = AXIS_UNKNOWN;
    x->st.uncertainty_counts = WIRE_FURTHEST;
}

static void no_call(struct lens *x)
{
    if (x->call) sched_cancel(x->sched, x->call);
    x->call = 0;
}

/* The end of whatever was under way. */
static void come_to(struct lens *x, enum axis_phase phase, const struct err *why)
{
    no_call(x);
    x->out = x->halting = x->detour = false;
    x->refused = x->alone = 0;
    x->st.phase = phase;
    x->st.asking = false;
    x->st.rest_at_us = sched_now_us(x->sched);
    x->st.why = why ? *why : (struct err){0};
    notice(x);
}

static void later(struct lens *x, int64_t us, sched_fn *fn)
{
    struct err why;
    no_call(x);
    x->call = sched_at(x->sched, sched_now_us(x->sched) + us, fn, x);
    if (x->call) return;
    fail(&why, E_NOMEM, "lens: no memory for a call");
    come_to(x, AXIS_ALARM, &why);
}

/* ---- one order after the other */

static int32_t worth_of(const struct lens *x, int32_t size)
{
    return size == 1 ? 1 : x->opts.worth[size - 1];
}

/* The largest that does not go too far; its number in size_out. */
static int32_t next_counts(const struct lens *x, int64_t way, int32_t *order_out)
{
    const int64_t length = way < 0 ? -way : way;
    const int32_t sign = way < 0 ? -1 : 1;
    int32_t best = 1, size = 1;
    if (!x->kind.sizes) {
        const int32_t most = x->kind.order_most < ORDER_MOST ? x->kind.order_most : ORDER_MOST;
        *order_out = sign * (int32_t)(length < most ? length : most);
        return *order_out;
    }
    for (int32_t n = 2; n <= x->kind.sizes; n++)
        if (worth_of(x, n) > best && worth_of(x, n) <= length) {
            best = worth_of(x, n);
            size = n;
        }
    *order_out = sign * size;
    return sign * best;
}

static void send_next(void *arg)
{
    struct lens *x = arg;
    struct err why = {0};
    int32_t order;
    x->call = 0;
    if (x->detour && x->st.position_counts == x->st.target_counts - DETOUR) x->detour = false;
    const int64_t goal = x->detour ? x->st.target_counts - DETOUR : x->st.target_counts;
    if ((x->st.position_counts == x->st.target_counts && !x->alone) || x->halting) {
        come_to(x, x->halting ? AXIS_STOPPED : AXIS_REST, NULL);
        return;
    }
    x->order = x->alone ? 0 : next_counts(x, goal - x->st.position_counts, &order);
    if (x->alone) order = x->alone;
    int rc = camera_drive(x->opts.camera, order, &why);
    if (rc == E_STATE && x->refused++ < BUSY_TIMES_MOST) {
        later(x, BUSY_FIRST_US, send_next);
        return;
    }
    if (rc) {
        come_to(x, rc == E_IO ? AXIS_GONE : AXIS_ALARM, &why);
        return;
    }
    x->out = true;
}

/* How far a larger size really goes is known to a tenth at best where it was not measured, and a turn takes
 * up play (guesses). */
static int64_t doubt_of(const struct lens *x, int64_t length)
{
    for (int32_t n = 2; n <= x->kind.sizes; n++)
        if (worth_of(x, n) == length && x->opts.doubt[n - 1]) return x->opts.doubt[n - 1];
    return x->kind.sizes && length > 1 ? (length + 9) / 10 : 0;
}

static void count(struct lens *x)
{
    x->alone = 0;
    x->st.position_counts += x->order;
    x->st.uncertainty_counts += doubt_of(x, x->order < 0 ? -x->order : x->order);
    if ((int64_t)x->order * x->last < 0) x->st.uncertainty_counts++;
    x->last = x->order;
    x->refused = 0;
}

static void refused(struct lens *x, const struct lens_answer *a)
{
    struct err why;
    int64_t wait_us = BUSY_FIRST_US;
    if (x->refused++ >= BUSY_TIMES_MOST) {
        fail(&why, E_STATE, "%s, again and again; look at its display", a->why.text);
        come_to(x, AXIS_ALARM, &why);
        return;
    }
    for (int i = 1; i < x->refused && wait_us < BUSY_LONGEST_US; i++)
        wait_us *= 2;
    later(x, wait_us, send_next);
}

static void at_end(struct lens *x)
{
    struct err why;
    const int64_t left = x->st.target_counts - x->st.position_counts;
    lose_place(x);
    fail(&why, E_STATE,
         "lens: it met its %s stop up to %" PRId64 " counts before it was where it should go; set the switch "
         "for its focus range to full, or shoot less depth, then focus where the stack begins",
         left < 0 ? "near" : "far", left < 0 ? -left : left);
    come_to(x, AXIS_ALARM, &why);
}

/* It has not moved. Back, and forth from the near side, are longer ways. */
static void too_short(struct lens *x, const struct lens_answer *a)
{
    struct err why;
    if (!x->detoured && !x->alone) {
        x->detour = x->detoured = true;
        later(x, 0, send_next);
        return;
    }
    fail(&why, E_STATE, "%s as %d counts; space the slices wider, so that each is a larger one", a->why.text,
         abs((int)(x->alone ? x->alone : x->order)));
    come_to(x, AXIS_ALARM, &why);
}

static void on_driven(void *arg, const struct lens_answer *a)
{
    struct lens *x = arg;
    const bool lost = a->result == LENS_LOST;
    if (!x->out && !lost) return;
    x->out = false;
    switch (a->result) {
    case LENS_MOVED:
        count(x);
        later(x, x->opts.rest_us, send_next);
        break;
    case LENS_LATE:
        count(x);
        x->st.uncertainty_counts++;
        later(x, LATE_US, send_next);
        break;
    case LENS_REFUSED:
        refused(x, a);
        break;
    case LENS_AT_END:
        at_end(x);
        break;
    case LENS_TOO_SHORT:
        too_short(x, a);
        break;
    case LENS_CANNOT:
        come_to(x, AXIS_ALARM, &a->why);
        break;
    case LENS_LOST:
        lose_place(x);
        come_to(x, AXIS_GONE, &a->why);
        break;
    }
}

/* ---- what the caller asks */

static int only_at_rest(const struct lens *x, struct err *why)
{
    if (x->st.phase == AXIS_REST) return E_OK;
    if (x->st.why.code) {
        if (why) *why = x->st.why;
        return x->st.why.code;
    }
    return fail(why, E_STATE, "lens: it cannot be driven while it is %s; wait, or clear it first",
                axis_phase_text(x->st.phase));
}

static int check_place(const struct lens *x, int64_t counts, struct err *why)
{
    if (counts < -WIRE_FURTHEST || counts > WIRE_FURTHEST)
        return fail(why, E_INPUT, "lens: a place of %" PRId64 " counts is too far", counts);
    if ((x->lo_counts || x->hi_counts) && (counts < x->lo_counts || counts > x->hi_counts))
        return fail(why, E_INPUT, "lens: %" PRId64 " counts lie outside its limits, %" PRId64 " to %" PRId64,
                    counts, x->lo_counts, x->hi_counts);
    return E_OK;
}

static void start(struct lens *x, int64_t target)
{
    x->st.phase = AXIS_MOVING;
    x->st.target_counts = target;
    x->st.rest_at_us = SCHED_NEVER;
    x->st.asking = true;
    x->detoured = false;
    later(x, 0, send_next);
}

static int lens_move_to(struct axis *ax, int64_t target, struct err *why)
{
    struct lens *x = lens_of(ax);
    int rc = only_at_rest(x, why);
    if (!rc && x->st.known == AXIS_UNKNOWN)
        rc = fail(why, E_STATE,
                  "lens: nobody knows where it stands; focus it on the near end, and begin there");
    if (!rc) rc = check_place(x, target, why);
    if (!rc) start(x, target);
    return rc;
}

static int lens_jog(struct axis *ax, int64_t distance, struct err *why)
{
    struct lens *x = lens_of(ax);
    int rc = only_at_rest(x, why);
    const int64_t target = x->st.position_counts + distance;
    if (!rc) rc = x->st.known == AXIS_UNKNOWN ? E_OK : check_place(x, target, why);
    if (!rc) start(x, target);
    return rc;
}

static int lens_poll(struct axis *ax, struct axis_state *out, struct err *why)
{
    (void)why;
    *out = lens_of(ax)->st;
    return E_OK;
}

static int lens_halt(struct axis *ax, struct err *why)
{
    struct lens *x = lens_of(ax);
    (void)why;
    if (x->out)
        x->halting = true;
    else if (x->st.phase != AXIS_ALARM && x->st.phase != AXIS_GONE)
        come_to(x, AXIS_STOPPED, NULL);
    return E_OK;
}

static void on_rest(void *arg)
{
    struct lens *x = arg;
    x->call = 0;
    come_to(x, AXIS_REST, NULL);
}

static int lens_clear(struct axis *ax, struct err *why)
{
    struct lens *x = lens_of(ax);
    if (x->st.phase == AXIS_REST) return E_OK;
    if (x->st.phase != AXIS_STOPPED && x->st.phase != AXIS_ALARM) return only_at_rest(x, why);
    x->st.why = (struct err){0};
    later(x, 0, on_rest);
    return E_OK;
}

static int lens_limits(struct axis *ax, int64_t lo_counts, int64_t hi_counts, struct err *why)
{
    struct lens *x = lens_of(ax);
    int rc = only_at_rest(x, why);
    if (rc) return rc;
    x->lo_counts = lo_counts;
    x->hi_counts = hi_counts;
    return E_OK;
}

static int lens_here(struct axis *ax, int64_t position, struct err *why)
{
    struct lens *x = lens_of(ax);
    int rc = only_at_rest(x, why);
    if (!rc && (position < -WIRE_FURTHEST || position > WIRE_FURTHEST))
        rc = fail(why, E_INPUT, "lens: a place of %" PRId64 " counts is too far", position);
    if (rc) return rc;
    x->st.known = AXIS_COUNTED;
    x->st.position_counts = x->st.target_counts = position;
    x->st.uncertainty_counts = 0;
    notice(x);
    return E_OK;
}

static int lens_order(struct axis *ax, int32_t order, struct err *why)
{
    struct lens *x = lens_of(ax);
    const int32_t most = x->kind.sizes ? x->kind.sizes : x->kind.order_most;
    int rc = only_at_rest(x, why);
    if (!rc && (!order || order < -most || order > most))
        rc = fail(why, E_INPUT, "lens: there is no order %d; 1 to %d either way", (int)order, (int)most);
    if (rc) return rc;
    lose_place(x);
    start(x, x->st.position_counts);
    x->alone = order;
    return E_OK;
}

static int lens_worth(struct axis *ax, int32_t size, int32_t counts, int32_t doubt_counts, struct err *why)
{
    struct lens *x = lens_of(ax);
    if (size < 2 || size > x->kind.sizes || counts < 2 || doubt_counts < 0)
        return fail(why, E_INPUT, "lens: size %d cannot be worth %d counts", (int)size, (int)counts);
    x->opts.worth[size - 1] = counts;
    x->opts.doubt[size - 1] = doubt_counts;
    return E_OK;
}

static int lens_nothing(struct axis *ax, struct err *why)
{
    (void)ax, (void)why;
    return E_OK; /* it has no outputs */
}

static void on_looked(void *arg)
{
    struct lens *x = arg;
    struct err why = {0};
    struct lens_kind kind;
    x->call = 0;
    int rc = camera_lens(x->opts.camera, &kind, &why);
    come_to(x, rc ? AXIS_GONE : AXIS_REST, rc ? &why : NULL);
}

static int lens_again(struct axis *ax, struct err *why)
{
    struct lens *x = lens_of(ax);
    (void)why;
    if (x->out) return E_OK; /* its answer comes, or its loss */
    x->st.phase = AXIS_STARTING;
    later(x, 0, on_looked);
    return E_OK;
}

static void lens_close(struct axis *ax)
{
    struct lens *x = lens_of(ax);
    if (!x) return;
    no_call(x);
    x->opts.camera->driven = NULL;
    mem_free(x);
}

static const struct axis_ops LENS_OPS = {
    .name = "the lens",
    .caps = AXIS_LIMITS | AXIS_BY_PICTURE,
    .move_to = lens_move_to,
    .poll = lens_poll,
    .halt = lens_halt,
    .clear = lens_clear,
    .limits = lens_limits,
    .close = lens_close,
    .jog = lens_jog,
    .here = lens_here,
    .drop = lens_nothing,
    .again = lens_again,
    .order = lens_order,
    .worth = lens_worth,
};

int axis_lens_open(struct sched *sched, const struct axis_lens_opts *opts, struct axis **out, struct err *why)
{
    struct lens_kind kind;
    int rc = camera_lens(opts->camera, &kind, why);
    if (rc) return rc;
    struct lens *x = mem_new(1, sizeof *x, why);
    if (!x) return E_NOMEM;
    x->base.ops = &LENS_OPS;
    x->sched = sched;
    x->opts = *opts;
    x->kind = kind;
    x->base.sizes = kind.sizes;
    if (!x->opts.rest_us && kind.sizes) x->opts.rest_us = REST_SIZES_US;
    x->st.phase = AXIS_STARTING;
    x->st.nonce = -1;
    lose_place(x);
    later(x, 0, on_rest);
    opts->camera->driven = on_driven;
    opts->camera->driven_arg = x;
    *out = &x->base;
    return E_OK;
}
