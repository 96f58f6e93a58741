/* What the loop itself costs in time: nothing is waited for that need not be. The critical path is computed
 * here from the world's own shutter log, from a move over the link on an idle bench, and from what the
 * devices declare; the loop's rows are not asked. */
#include "tests/support/test.h"

#include "device/axis_rail.h"
#include "device/link_mem.h"
#include "plan/timeline.h"
#include "tests/support/small.h"

#define SLICES_MOST 256

/* When the shutter was open, by the world's log. */
struct path {
    int64_t open_us[SLICES_MOST], shut_us[SLICES_MOST];
    int32_t shots;
};

static void look(void *arg, struct rig *r)
{
    struct path *p = arg;
    const struct shot *log;
    p->shots = world_shots(r->world, &log);
    assert_true(p->shots <= SLICES_MOST);
    for (int32_t i = 0; i < p->shots; i++) {
        p->open_us[i] = log[i].open_us;
        p->shut_us[i] = log[i].shut_us;
    }
}

static const int64_t settle_us = 1000000, lag_us = 50000, exposure_us = 250000, ready_us = 300000,
                     transfer_us = 600000, measure_us = 250000, commit_us = 5000;

static int64_t last_edge_ns;

static void on_edge(void *arg, int64_t at_ns, int dir)
{
    (void)arg;
    (void)dir;
    last_edge_ns = at_ns;
}

static void wait_for(struct sched *s, struct axis *ax, enum axis_phase phase)
{
    struct axis_state st;
    for (;;) {
        axis_poll(ax, &st, NULL);
        if (st.phase == phase) return;
        assert_true(sched_step(s, SCHED_NEVER));
    }
}

/* How long the controller itself needs for one slice's way: a move over the link alone, from the request to
 * the last edge, on an idle bench. */
static int64_t move_alone(const struct shoot_job *job)
{
    struct sched *s = sched_new_virtual(NULL);
    struct native_rail *rail =
        native_rail_new(s, &(struct native_rail_opts){.edge = on_edge, .seed = 1}, NULL);
    struct link *link = link_mem_open(s, rail, &(struct link_mem_opts){.latency_us = 1000}, NULL);
    struct axis *ax;
    const struct plan *p = &job->plan;
    const struct timeline_motion motion = timeline_motion(&job->bench);
    assert_int_equal(
        axis_rail_open(s, link,
                       &(struct axis_rail_opts){.speed_counts_per_s = motion.speed_counts_per_s,
                                                .accel_counts_per_s2 = motion.accel_counts_per_s2},
                       &ax, NULL),
        0);
    wait_for(s, ax, AXIS_REST);
    axis_here(ax, 0, NULL);
    int64_t way = (p->slices[199].target_counts - p->slices[0].target_counts) / 199;
    sched_step(s, sched_now_us(s) + 100000);
    for (int64_t until = sched_now_us(s) + 2000000; sched_step(s, until);)
        continue;
    int64_t began_us = sched_now_us(s);
    assert_int_equal(axis_move_to(ax, way, NULL), 0);
    wait_for(s, ax, AXIS_REST);
    int64_t took = last_edge_ns / 1000 - began_us;
    axis_close(ax);
    native_rail_free(rail);
    sched_free(s);
    print_message("measured: a move of %d counts alone: %d us\n", (int)way, (int)took);
    return took;
}

static void two_hundred_slices(bool silent, const char *name)
{
    struct shoot_job job;
    struct run_result r;
    struct err why = {0};
    static struct path p;
    memset(&p, 0, sizeof p);
    small_job(name, &(struct small){.width_px = 64, .height_px = 48, .slices = 196, .settle_ms = 1000}, &job);
    assert_int_equal(job.plan.slice_count, 200);
    struct shoot_opts o = {.dir = small_path(name),
                           .virtual_clock = true,
                           .workers = 2,
                           .closing = look,
                           .arg = &p,
                           .rig = {.silent_shutter = silent,
                                   .times = {.commit_us = commit_us,
                                             .measure_us = measure_us,
                                             .object_ready_us = ready_us,
                                             .transfer_us = transfer_us,
                                             .link_us = 1000}}};
    if (shoot_new(&job, &o, &r, &why)) print_error("%s\n", why.text);
    assert_int_equal(r.end, RUN_WHOLE);
    int64_t move_us = move_alone(&job);
    int64_t slice_us = move_us + settle_us + lag_us + exposure_us + (silent ? ready_us : 0);
    /* 199 moves between 200 exposures */
    int64_t wanted = 199 * slice_us, took = p.open_us[199] - p.open_us[0];
    double over = 100.0 * (double)(took - wanted) / (double)wanted;
    print_message("measured: loop overhead over the critical path, 200 slices%s: %.3f %% (bound 1 %%)\n",
                  silent ? ", silent shutter" : "", over);
    assert_true(over >= 0 && over <= 1);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

static void the_loop_adds_at_most_a_hundredth(void **state)
{
    (void)state;
    two_hundred_slices(false, "over");
}

static void a_silent_shutter_costs_only_the_time_to_the_object(void **state)
{
    (void)state;
    two_hundred_slices(true, "over-silent");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_loop_adds_at_most_a_hundredth),
        cmocka_unit_test(a_silent_shutter_costs_only_the_time_to_the_object),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
