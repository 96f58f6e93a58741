#include "tests/support/faulty.h"

#include <stdlib.h>

struct around_camera {
    struct camera base;
    struct camera_ops ops;
    struct camera *inner;
    struct faulty *faults;
};

struct around_axis {
    struct axis base;
    struct axis_ops ops;
    struct axis *inner;
    struct faulty *faults;
};

static int may(struct faulty *f, const char *what, struct err *why)
{
    if (++f->calls != f->fail_at) return E_OK;
    f->failed = what;
    return fail(why, f->code, "planted: %s failed", what);
}

#define CAMERA(c) ((struct around_camera *)(c))
#define AXIS(a)   ((struct around_axis *)(a))

static void camera_noticed(void *arg)
{
    struct around_camera *a = arg;
    if (a->base.notice) a->base.notice(a->base.notice_arg);
}

static int describe(struct camera *c, struct camera_facts *out, struct err *why)
{
    int rc = may(CAMERA(c)->faults, "camera describe", why);
    return rc ? rc : camera_describe(CAMERA(c)->inner, out, why);
}

static int set(struct camera *c, const struct camera_settings *s, struct err *why)
{
    int rc = may(CAMERA(c)->faults, "camera set", why);
    return rc ? rc : camera_set(CAMERA(c)->inner, s, why);
}

static int arm(struct camera *c, struct err *why)
{
    int rc = may(CAMERA(c)->faults, "camera arm", why);
    return rc ? rc : camera_arm(CAMERA(c)->inner, why);
}

static int trigger(struct camera *c, uint64_t token, struct err *why)
{
    int rc = may(CAMERA(c)->faults, "camera trigger", why);
    return rc ? rc : camera_trigger(CAMERA(c)->inner, token, why);
}

static int next_event(struct camera *c, struct camera_event *out, struct err *why)
{
    int rc = may(CAMERA(c)->faults, "camera next_event", why);
    return rc ? rc : camera_next_event(CAMERA(c)->inner, out, why);
}

static int fetch(struct camera *c, uint64_t token, const struct camera_object *o, struct err *why)
{
    int rc = may(CAMERA(c)->faults, "camera fetch", why);
    return rc ? rc : camera_fetch(CAMERA(c)->inner, token, o, why);
}

static int recount(struct camera *c, uint64_t token, int32_t *out, struct err *why)
{
    int rc = may(CAMERA(c)->faults, "camera recount", why);
    return rc ? rc : camera_recount(CAMERA(c)->inner, token, out, why);
}

static void close_camera(struct camera *c)
{
    camera_close(CAMERA(c)->inner);
    free(c);
}

struct camera *faulty_camera(void *arg, struct camera *inner)
{
    struct around_camera *a = calloc(1, sizeof *a);
    if (!a) abort();
    a->ops = (struct camera_ops){.name = inner->ops->name,
                                 .caps = inner->ops->caps,
                                 .describe = describe,
                                 .set = set,
                                 .arm = arm,
                                 .trigger = trigger,
                                 .next_event = next_event,
                                 .fetch = fetch,
                                 .recount = recount,
                                 .close = close_camera};
    a->base.ops = &a->ops;
    a->inner = inner;
    a->faults = arg;
    inner->notice = camera_noticed;
    inner->notice_arg = a;
    return &a->base;
}

static void axis_noticed(void *arg)
{
    struct around_axis *a = arg;
    if (a->base.notice) a->base.notice(a->base.notice_arg);
}

static int move_to(struct axis *a, int64_t target, struct err *why)
{
    int rc = may(AXIS(a)->faults, "axis move_to", why);
    return rc ? rc : axis_move_to(AXIS(a)->inner, target, why);
}

static int shape(struct axis *a, const struct axis_slot *slots, int count, struct err *why)
{
    int rc = may(AXIS(a)->faults, "axis shape", why);
    return rc ? rc : axis_shape(AXIS(a)->inner, slots, count, why);
}

static int move_shaped(struct axis *a, int64_t target, struct err *why)
{
    int rc = may(AXIS(a)->faults, "axis move_shaped", why);
    return rc ? rc : axis_move_shaped(AXIS(a)->inner, target, why);
}

static int look(struct axis *a, struct axis_state *out, struct err *why)
{
    int rc = may(AXIS(a)->faults, "axis poll", why);
    return rc ? rc : axis_poll(AXIS(a)->inner, out, why);
}

static int halt(struct axis *a, struct err *why)
{
    int rc = may(AXIS(a)->faults, "axis halt", why);
    return rc ? rc : axis_halt(AXIS(a)->inner, why);
}

static int clear(struct axis *a, struct err *why)
{
    int rc = may(AXIS(a)->faults, "axis clear", why);
    return rc ? rc : axis_clear(AXIS(a)->inner, why);
}

static int home(struct axis *a, struct err *why)
{
    int rc = may(AXIS(a)->faults, "axis home", why);
    return rc ? rc : axis_home(AXIS(a)->inner, why);
}

static int limits(struct axis *a, int64_t lo, int64_t hi, struct err *why)
{
    int rc = may(AXIS(a)->faults, "axis limits", why);
    return rc ? rc : axis_limits(AXIS(a)->inner, lo, hi, why);
}

static int here(struct axis *a, int64_t position, struct err *why)
{
    int rc = may(AXIS(a)->faults, "axis here", why);
    return rc ? rc : axis_here(AXIS(a)->inner, position, why);
}

static void close_axis(struct axis *a)
{
    axis_close(AXIS(a)->inner);
    free(a);
}

struct axis *faulty_axis(void *arg, struct axis *inner)
{
    struct around_axis *a = calloc(1, sizeof *a);
    if (!a) abort();
    a->ops = (struct axis_ops){.name = inner->ops->name,
                               .caps = inner->ops->caps,
                               .move_to = move_to,
                               .poll = look,
                               .halt = halt,
                               .clear = clear,
                               .home = home,
                               .limits = limits,
                               .here = here,
                               .shape = shape,
                               .move_shaped = move_shaped,
                               .close = close_axis};
    a->base.ops = &a->ops;
    a->inner = inner;
    a->faults = arg;
    inner->notice = axis_noticed;
    inner->notice_arg = a;
    return &a->base;
}
