/* The whole travel and back without the shutter, on the simulated bench in virtual time. Steps are lost, and
 * things stand in the way, by moving the world under the rail: what rehearse says is compared with that. */
#include "tests/support/test.h"

#include "base/findings.h"
#include "base/units.h"
#include "run/rehearse.h"
#include "tests/support/program.h"
#include "tests/support/small.h"

static const struct small SMALL = {.slices = 12, .scene = "  screw_error_um: off\n  backlash_um: 2\n"};

struct trouble {
    struct axis_session *s;
    double slip_nm;  /* the carriage slips by that when it goes back */
    int64_t wall_nm; /* the far switch opens here; 0: beyond the travel */
    bool wish;       /* Ctrl-C on the way out */
    int32_t told;
    double deepest_nm; /* of the carriage at the turn */
};

static void on_wish(void *arg)
{
    bench_wish(arg);
}

static void on_tell(void *arg, const char *sentence)
{
    struct trouble *t = arg;
    struct world *w = t->s->rig->world;
    t->told++;
    if (strstr(sentence, " in 16 moves")) {
        if (t->wall_nm) world_set_travel(w, t->s->job.plan.travel.first_nm - 2000000, t->wall_nm);
        if (t->wish) sched_at(t->s->rig->sched, sched_now_us(t->s->rig->sched) + 300000, on_wish, t->s->rig);
    }
    if (!strstr(sentence, "back, away") || world_carriage_nm(w) < 1000000) return;
    t->deepest_nm = world_carriage_nm(w);
    if (t->slip_nm != 0) world_place(w, (int64_t)(t->deepest_nm + t->slip_nm));
    t->slip_nm = 0;
}

static int go(struct trouble *t, struct rehearsal *r, struct err *why)
{
    struct shoot_job job;
    small_job("r", &SMALL, &job);
    shoot_job_clear(&job);
    const struct axis_session_opts o = {
        .job_path = small_path("r-job.yaml"), .virtual_clock = true, .tell = on_tell, .arg = t};
    memset(r, 0, sizeof *r);
    if (axis_session_open(&o, &t->s, why)) fail_msg("%s", why->text);
    int rc = rehearse(t->s, r, why);
    if (rc) print_message("%s\n", why->text);
    return rc;
}

static bool says(const struct rehearsal *r, const char *code)
{
    for (int32_t i = 0; i < r->findings.count; i++)
        if (!strcmp(r->findings.rows[i].code, code)) return true;
    return false;
}

static void the_whole_travel_and_nothing_is_fired(void **state)
{
    (void)state;
    struct trouble t = {0};
    struct rehearsal r;
    struct err why = {0};
    assert_int_equal(go(&t, &r, &why), 0);
    const struct plan *p = &t.s->job.plan;
    const struct shot *log;
    assert_int_equal(r.slices, 16);
    assert_int_equal(r.reached, 16);
    assert_near(t.deepest_nm, (double)p->travel.last_nm, 20000 + 4000); /* as in test_axis_session.c */
    assert_int_equal(world_shots(t.s->rig->world, &log), 0);
    assert_true(r.touched && r.off_nm == 0 && !r.stopped);
    assert_int_equal(r.findings.count, 0);
    /* 16 moves of 0.18 mm from rest to rest at 2 mm/s, the ramp 0.1 s long: each 0.19 s by uniform
     * acceleration, and a command's way; the take-up move is shorter */
    assert_near(s_from_us(r.out_us), 16 * 0.19, 1.2);
    assert_true(t.told >= 6);
    printf("measured: rehearse, 16 slices: out %.2f s, back %.2f s, near end off %.3g um\n",
           s_from_us(r.out_us), s_from_us(r.back_us), um_from_nm(r.off_nm));
    findings_clear(&r.findings);
    axis_session_close(t.s);
}

static void lost_steps_show_at_the_near_end(void **state)
{
    (void)state;
    static const double SLIPS_UM[] = {50, -50, 12};
    for (size_t i = 0; i < sizeof SLIPS_UM / sizeof *SLIPS_UM; i++) {
        struct trouble t = {.slip_nm = 1000 * SLIPS_UM[i]};
        struct rehearsal r;
        struct err why = {0};
        assert_int_equal(go(&t, &r, &why), 0);
        assert_true(r.touched);
        /* the carriage lies farther than counted: the switch comes that much later, by counting */
        assert_near(um_from_nm(r.off_nm), -SLIPS_UM[i], um_from_nm(r.resolution_nm) + 2);
        printf("measured: rehearse, a slip of %.0f um is found as %.3g um\n", SLIPS_UM[i],
               um_from_nm(-r.off_nm));
        assert_true(says(&r, "steps-lost") && findings_grave(&r.findings));
        findings_clear(&r.findings);
        axis_session_close(t.s);
    }
}

static void an_end_switch_on_the_way_is_told_with_its_place(void **state)
{
    (void)state;
    struct trouble t = {.wall_nm = 1200000};
    struct rehearsal r;
    struct err why = {0};
    assert_int_equal(go(&t, &r, &why), 0);
    assert_true(r.stopped && !r.touched);
    assert_true(says(&r, "axis-stopped") && findings_grave(&r.findings));
    assert_near(mm_from_nm(r.stopped_nm), 1.2, 0.03);
    assert_in_range(r.reached, 5, 12);
    assert_true(world_carriage_nm(t.s->rig->world) < 0); /* and it went home, away from the subject */
    findings_clear(&r.findings);
    axis_session_close(t.s);
}

static void a_wish_halts_it(void **state)
{
    (void)state;
    struct trouble t = {.wish = true};
    struct rehearsal r;
    struct err why = {0};
    assert_int_equal(go(&t, &r, &why), E_PAUSED);
    assert_int_equal(r.findings.count, 0);
    const double at = world_carriage_nm(t.s->rig->world);
    axis_session_pass(t.s, 3000000);
    assert_near(world_carriage_nm(t.s->rig->world), at, 0);
    axis_session_close(t.s);
}

static void what_a_run_refuses_is_refused_before_anything_moves(void **state)
{
    (void)state;
    struct shoot_job job;
    small_job("r", &SMALL, &job);
    shoot_job_clear(&job);
    struct said r =
        shell("cd %s && sed 's/^far_mm.*/far_mm: 20/' r-job.yaml >far.yaml && staddle rehearse far.yaml",
              test_folder());
    assert_int_equal(r.status, 2);
    assert_non_null(strstr(r.err, "clearance_mm"));
    assert_null(strstr(r.err, "the axis goes"));
    said_clear(&r);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_whole_travel_and_nothing_is_fired),
        cmocka_unit_test(lost_steps_show_at_the_near_end),
        cmocka_unit_test(an_end_switch_on_the_way_is_told_with_its_place),
        cmocka_unit_test(a_wish_halts_it),
        cmocka_unit_test(what_a_run_refuses_is_refused_before_anything_moves),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
