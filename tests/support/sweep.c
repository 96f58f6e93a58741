#include "tests/support/sweep.h"

#include "tests/support/test.h"

static void opened(void *arg, struct rig *r, struct store *st)
{
    (void)st;
    ((struct sweep *)arg)->rig = r;
    ((struct sweep *)arg)->begun = true;
}

static bool at_event(void *arg, int64_t events)
{
    struct sweep *s = arg;
    if (s->how == SWEEP_NOT || events != s->at) return false;
    if (s->how == SWEEP_KILL) return true;
    bench_wish(s->rig);
    if (s->how == SWEEP_HALT) bench_wish(s->rig);
    return false;
}

/* Two seconds later nothing has moved: the rail was at rest when the run ended. (A killed run has no say in
 * that.) */
static void stands_still(struct sweep *s, struct rig *r)
{
    double carriage = world_carriage_nm(r->world);
    int64_t steps = world_step_count(r->world, NULL, NULL), until = sched_now_us(r->sched) + 2000000;
    while (sched_step(r->sched, until))
        continue;
    if (s->how == SWEEP_KILL) return;
    assert_int_equal(world_step_count(r->world, NULL, NULL), steps);
    assert_near(world_carriage_nm(r->world), carriage, 0.001);
}

static void ended(void *arg, struct rig *r)
{
    struct sweep *s = arg;
    const struct shot *log;
    s->shots = world_shots(r->world, &log);
    stands_still(s, r);
    s->rig = NULL;
}

void sweep_try(struct sweep *s)
{
    struct err why = {0};
    struct shoot_opts o = {.dir = s->dir,
                           .virtual_clock = true,
                           .workers = 1,
                           .killed = at_event,
                           .killed_arg = s,
                           .opened = opened,
                           .closing = ended,
                           .arg = s,
                           .rig = {.faults = s->camera,
                                   .wrap_camera = faulty_camera,
                                   .wrap_axis = faulty_axis,
                                   .wrap_arg = &s->faults}};
    s->rc = shoot_new(s->job, &o, &s->result, &why);
    if (s->rc && !why.text[0]) print_error("no sentence for %d\n", s->rc);
    assert_true(!s->rc || why.text[0]);
}

void sweep_shoot(struct sweep *s)
{
    sweep_try(s);
    small_check_consistent(s->dir);
}

static void count_shots(void *arg, struct rig *r)
{
    const struct shot *log;
    *(int32_t *)arg = world_shots(r->world, &log);
}

int32_t sweep_finish(const struct sweep *s)
{
    struct err why = {0};
    struct run_result r;
    struct small_counts n;
    bool already;
    int32_t shots = 0;
    struct shoot_opts o = {.dir = s->dir, .workers = 1, .closing = count_shots, .arg = &shots};
    int rc = shoot_resume(&o, &r, &already, &why);
    if (rc) print_error("resume: %s\n", why.text);
    assert_int_equal(rc, 0);
    run_result_clear(&r);
    small_check_whole(s->dir, true);
    small_count(s->dir, &n);
    int32_t needed = n.slices + 1 + n.references, spare = n.lost + n.failed;
    if (s->shots + shots > needed + spare)
        print_error("%d shots, %d needed, %d spare\n", s->shots + shots, needed, spare);
    assert_true(n.references <= 2 * 2); /* two for each resume; sweeps resume at most twice */
    assert_true(s->shots + shots >= needed && s->shots + shots <= needed + spare);
    return shots;
}
