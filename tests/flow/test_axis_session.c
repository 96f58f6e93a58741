/* The axis by hand, on the simulated bench in virtual time. Where the carriage is, the world says; what the
 * verb does with bad words, the built program. */
#include "tests/support/test.h"

#include "base/units.h"
#include "run/axis_session.h"
#include "tests/support/program.h"
#include "tests/support/small.h"

#define NEAR_ENOUGH_NM                                                                                       \
    4000 /* the screw's error and play of the simulated mechanics: scene.screw_error_um,                     \
            scene.backlash_um below */

static const struct small SMALL = {.scene = "  screw_error_um: off\n  backlash_um: 2\n"};

static char told[1024];

static void on_tell(void *arg, const char *sentence)
{
    (void)arg;
    snprintf(told, sizeof told, "%s", sentence);
}

static struct axis_session *open_session(void)
{
    struct axis_session *s;
    struct shoot_job job;
    struct err why = {0};
    small_job("axis", &SMALL, &job);
    shoot_job_clear(&job);
    told[0] = '\0';
    const struct axis_session_opts o = {
        .job_path = small_path("axis-job.yaml"), .virtual_clock = true, .tell = on_tell};
    if (axis_session_open(&o, &s, &why)) fail_msg("%s", why.text);
    assert_int_equal(axis_session_ready(s, &why), 0);
    return s;
}

static double carriage(const struct axis_session *s)
{
    return world_carriage_nm(s->rig->world);
}

static void nothing_moves_on_opening(void **state)
{
    (void)state;
    struct axis_session *s = open_session();
    assert_int_equal(world_step_count(s->rig->world, NULL, NULL), 0);
    assert_false(axis_session_pass(s, 5000000));
    assert_int_equal(world_step_count(s->rig->world, NULL, NULL), 0);
    assert_int_equal(s->state.known, AXIS_UNKNOWN);
    assert_string_equal(told, "");
    axis_session_close(s);
}

static void unhomed_it_goes_by_distances_only(void **state)
{
    (void)state;
    struct err why;
    struct axis_session *s = open_session();
    assert_int_equal(axis_session_go(s, 1000000, &why), E_STATE);
    assert_non_null(strstr(why.text, "axis home"));
    assert_int_equal(world_step_count(s->rig->world, NULL, NULL), 0);
    const double before = carriage(s);
    assert_int_equal(axis_session_jog(s, 250000, &why), 0);
    assert_near(carriage(s) - before, 250000, NEAR_ENOUGH_NM);
    assert_non_null(strstr(told, "0.2500 mm deeper, toward the subject"));
    assert_non_null(strstr(told, "keep fingers"));
    assert_int_equal(axis_session_jog(s, -250000, &why), 0);
    assert_non_null(strstr(told, "back, away from the subject"));
    assert_near(carriage(s) - before, 0, NEAR_ENOUGH_NM);
    axis_session_close(s);
}

static void after_home_places_are_those_of_the_scene(void **state)
{
    (void)state;
    struct err why;
    struct axis_session *s = open_session();
    assert_int_equal(axis_session_home(s, &why), 0);
    assert_int_equal(s->state.known, AXIS_KNOWN);
    for (int i = 0; i < 3; i++) {
        const int64_t target = (int64_t[]){500000, 1500000, 1750000}[i];
        assert_int_equal(axis_session_go(s, target, &why), 0);
        /* the planned backlash (20 um) stands in for the true one (2 um) when the zero is moved */
        assert_near(carriage(s) - (double)target, 0, 20000 + NEAR_ENOUGH_NM);
        assert_int_equal(axis_session_nm(s, s->state.position_counts), target);
    }
    assert_non_null(strstr(told, "from 1.5000 to 1.7500 mm"));
    axis_session_close(s);
}

static void a_limit_is_named_and_kept(void **state)
{
    (void)state;
    struct err why;
    struct axis_session *s = open_session();
    assert_int_equal(axis_session_home(s, &why), 0);
    const int64_t edges = world_step_count(s->rig->world, NULL, NULL);
    assert_int_equal(axis_session_go(s, 8001000, &why),
                     E_INPUT); /* near mark 0, clearance 8 mm: see small.c */
    assert_non_null(strstr(why.text, "clearance_mm 8"));
    assert_non_null(strstr(why.text, "axis-bench.yaml:15"));
    assert_int_equal(axis_session_go(s, -9000000, &why), E_INPUT);
    assert_non_null(strstr(why.text, "near end"));
    assert_int_equal(axis_session_jog(s, 8100000, &why), E_INPUT);
    assert_int_equal(axis_session_jog(s, 100, &why), E_INPUT); /* less than a count */
    assert_non_null(strstr(why.text, "smallest move"));
    assert_int_equal(world_step_count(s->rig->world, NULL, NULL), edges);
    axis_session_close(s);
}

static void park_goes_to_the_near_side_of_the_first_slice(void **state)
{
    (void)state;
    struct err why;
    struct axis_session *s = open_session();
    bool near_pressed, far_pressed;
    assert_int_equal(axis_session_home(s, &why), 0);
    assert_int_equal(axis_session_go(s, 1000000, &why), 0);
    assert_int_equal(axis_session_park(s, &why), 0);
    world_switches(s->rig->world, &near_pressed, &far_pressed);
    assert_false(near_pressed);
    assert_true(carriage(s) < (double)s->job.plan.travel.first_nm - 500000);
    axis_session_close(s);
}

static void park_never_goes_toward_the_subject(void **state)
{
    (void)state;
    struct err why;
    struct axis_session *s = open_session();
    assert_int_equal(axis_session_park(s, &why), E_STATE);
    assert_int_equal(axis_session_home(s, &why), 0);
    assert_int_equal(axis_session_go(s, 1000000, &why), 0);
    assert_int_equal(axis_session_here(s, -5000000, &why), 0); /* a zero that does not fit the near end */
    const double before = carriage(s);
    assert_int_equal(axis_session_park(s, &why), 0);
    assert_near(carriage(s), before, 0);
    assert_non_null(strstr(told, "stays"));
    axis_session_close(s);
}

static void this_place_is_called_so(void **state)
{
    (void)state;
    struct err why;
    struct axis_session *s = open_session();
    const double before = carriage(s);
    assert_int_equal(axis_session_here(s, 1250000, &why), 0);
    assert_int_equal(axis_session_nm(s, s->state.position_counts), 1250000);
    assert_near(carriage(s), before, 0);
    assert_int_equal(axis_session_go(s, 1500000, &why), 0);
    assert_near(carriage(s) - before, 250000, NEAR_ENOUGH_NM);
    axis_session_close(s);
}

static void wish(void *arg)
{
    bench_wish(arg);
}

static void a_wish_halts_in_mid_move(void **state)
{
    (void)state;
    for (int homing = 0; homing < 2; homing++) {
        struct err why;
        struct axis_session *s = open_session();
        if (!homing) assert_int_equal(axis_session_home(s, &why), 0);
        sched_at(s->rig->sched, sched_now_us(s->rig->sched) + 200000, wish, s->rig);
        assert_int_equal(homing ? axis_session_home(s, &why) : axis_session_go(s, 1900000, &why), E_PAUSED);
        assert_non_null(strstr(why.text, "halted by hand"));
        const double at = carriage(s);
        assert_true(homing || at < 1800000);
        axis_session_pass(s, 5000000);
        assert_near(carriage(s), at, 0);
        /* and may be moved again: the stop is cleared by the next thing asked */
        assert_int_equal(axis_session_jog(s, 50000, &why), 0);
        assert_near(carriage(s) - at, 50000, NEAR_ENOUGH_NM);
        axis_session_close(s);
    }
}

static void a_bench_alone_is_enough(void **state)
{
    (void)state;
    struct err why;
    struct axis_session *s;
    struct shoot_job job;
    small_job("axis", &SMALL, &job);
    shoot_job_clear(&job);
    const struct axis_session_opts o = {.bench_path = small_path("axis-bench.yaml"), .virtual_clock = true};
    assert_int_equal(axis_session_open(&o, &s, &why), 0);
    assert_false(s->bounds.hi_known); /* nobody knows where the subject begins */
    assert_int_equal(axis_session_home(s, &why), 0);
    assert_int_equal(axis_session_go(s, 3000000, &why), 0);
    assert_near(carriage(s), 3000000, 20000 + 6000);
    axis_session_close(s);
}

static void bad_words_are_refused_and_nothing_moves(void **state)
{
    (void)state;
    struct shoot_job job;
    small_job("axis", &SMALL, &job);
    shoot_job_clear(&job);
    static const struct {
        const char *words, *says;
    } BAD[] = {
        {"turn JOB", "axis turn"},
        {"go JOB", "e.g. 3.4mm"},
        {"go 3.4 JOB", "with its unit"},
        {"go 3,4mm JOB", "with its unit"},
        {"go 3.4mmm JOB", "with its unit"},
        {"go 1e3mm JOB", "with its unit"},
        {"go --3mm JOB", "no such option"},
        {"jog 99999mm JOB", "more than"},
        {"jog", "e.g. 3.4mm"},
        {"set nanmm JOB", "with its unit"},
        {"show", "say which bench"},
        {"show JOB JOB", "one operand too many"},
        {"show missing.yaml", "missing.yaml"},
        {"watch --times 0 JOB", "--times"},
        {"go 9mm JOB --home", "clearance_mm 8"},
    };
    for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++) {
        char line[256] = "";
        for (const char *p = BAD[i].words; *p;)
            if (!strncmp(p, "JOB", 3)) {
                strcat(line, "\"$JOB\"");
                p += 3;
            } else {
                strncat(line, p++, 1);
            }
        struct said r = shell("JOB=%s; staddle axis %s", small_path("axis-job.yaml"), line);
        if (r.status != 2 || !strstr(r.err, BAD[i].says))
            print_error("axis %s: status %d, %s\n", BAD[i].words, r.status, r.err);
        assert_int_equal(r.status, 2);
        assert_string_equal(r.out, "");
        assert_non_null(strstr(r.err, BAD[i].says));
        assert_null(strstr(r.err, "the axis goes"));
        said_clear(&r);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_moves_on_opening),
        cmocka_unit_test(unhomed_it_goes_by_distances_only),
        cmocka_unit_test(after_home_places_are_those_of_the_scene),
        cmocka_unit_test(a_limit_is_named_and_kept),
        cmocka_unit_test(park_goes_to_the_near_side_of_the_first_slice),
        cmocka_unit_test(park_never_goes_toward_the_subject),
        cmocka_unit_test(this_place_is_called_so),
        cmocka_unit_test(a_wish_halts_in_mid_move),
        cmocka_unit_test(a_bench_alone_is_enough),
        cmocka_unit_test(bad_words_are_refused_and_nothing_moves),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
