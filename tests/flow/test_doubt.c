/* A run was killed between trigger and answer, and on resume the camera cannot tell what became of it: it is
 * shot again, or a person is asked, as the job or the resume says. The shutter log of the world counts. */
#include "tests/support/test.h"

#include "tests/support/program.h"
#include "tests/support/sweep.h"

/* ---- a camera that is as the simulated one, but recounts nothing */

static struct camera *forgetful(void *arg, struct camera *c)
{
    static struct camera_ops ops;
    (void)arg;
    ops = *c->ops;
    ops.caps &= ~(unsigned)CAMERA_RECOUNTS;
    c->ops = &ops;
    return c;
}

static struct shoot_job make_job(const char *name, const char *more)
{
    struct shoot_job job;
    small_job(name, &(struct small){.width_px = 64, .height_px = 48, .slices = 2, .job = more}, &job);
    return job;
}

/* Killed at the first event at which an exposure is under way and its shutter has opened, a slice or two
 * being kept. */
static struct sweep in_doubt(const struct shoot_job *job, const char *name)
{
    for (int64_t at = 20; at < 400; at++) {
        char each[40];
        struct small_counts n;
        snprintf(each, sizeof each, "%s-%d", name, (int)at);
        struct sweep s = {.job = job, .dir = small_path(each), .how = SWEEP_KILL, .at = at};
        sweep_try(&s);
        run_result_clear(&s.result);
        if (!s.begun) continue;
        small_count(s.dir, &n);
        if (n.firing == 1 && n.kept >= 1 && s.shots == n.kept + 1) return s;
    }
    fail_msg("no kill left an exposure in doubt");
    return (struct sweep){.at = 0};
}

struct again {
    int rc;
    struct err why;
    struct run_result result;
    int32_t shots;
};

static void count_shots(void *arg, struct rig *r)
{
    const struct shot *log;
    ((struct again *)arg)->shots = world_shots(r->world, &log);
}

static struct again resume(const char *dir, enum shoot_doubt doubt, bool silent)
{
    bool already;
    struct again a = {.shots = 0};
    struct shoot_opts o = {.dir = dir, .workers = 1, .doubt = doubt, .closing = count_shots, .arg = &a};
    if (silent) o.rig.wrap_camera = forgetful;
    a.rc = shoot_resume(&o, &a.result, &already, &a.why);
    return a;
}

static void it_is_shot_again_where_nothing_is_said(void **state)
{
    (void)state;
    struct small_counts n;
    struct shoot_job job = make_job("plain", NULL);
    struct sweep s = in_doubt(&job, "plain");
    struct again a = resume(s.dir, DOUBT_BY_JOB, true);
    assert_int_equal(a.rc, 0);
    assert_int_equal(a.result.doubtful, 1);
    small_check_whole(s.dir, true);
    small_count(s.dir, &n);
    assert_int_equal(n.lost, 1);
    run_result_clear(&a.result);
    shoot_job_clear(&job);
}

static void the_question_says_which_and_how_to_decide(const struct again *a)
{
    print_message("%s\n", a->why.text);
    assert_int_equal(a->rc, E_STATE); /* exit status 4 */
    assert_non_null(strstr(a->why.text, "slice "));
    assert_non_null(strstr(a->why.text, "cannot tell whether it was exposed"));
    assert_non_null(strstr(a->why.text, "--doubtful shoot_again"));
}

static void by_setting_a_person_is_asked_and_nothing_is_shot(void **state)
{
    (void)state;
    struct small_counts before, n;
    struct shoot_job job = make_job("ask", "doubtful: ask\n");
    struct sweep s = in_doubt(&job, "ask");
    small_count(s.dir, &before);
    for (int turn = 0; turn < 2; turn++) { /* asked again as long as nobody has decided */
        struct again a = resume(s.dir, DOUBT_BY_JOB, true);
        the_question_says_which_and_how_to_decide(&a);
        assert_int_equal(a.shots, 0);
        small_count(s.dir, &n);
        assert_int_equal(n.doubtful, 1);
        assert_int_equal(n.firing + n.lost, 0);
        assert_int_equal(n.kept, before.kept);
        run_result_clear(&a.result);
    }
    struct again b = resume(s.dir, DOUBT_SHOOT_AGAIN, true);
    assert_int_equal(b.rc, 0);
    small_check_whole(s.dir, true);
    small_count(s.dir, &n);
    assert_int_equal(n.lost, 1);
    assert_int_equal(n.doubtful, 0);
    run_result_clear(&b.result);
    shoot_job_clear(&job);
}

/* Somebody has switched the camera on again: now it tells, and nobody is asked. */
static void a_camera_that_can_tell_after_all_ends_the_question(void **state)
{
    (void)state;
    struct small_counts n;
    struct shoot_job job = make_job("later", NULL);
    struct sweep s = in_doubt(&job, "later");
    struct again a = resume(s.dir, DOUBT_ASK, true);
    the_question_says_which_and_how_to_decide(&a);
    run_result_clear(&a.result);
    a = resume(s.dir, DOUBT_ASK, false);
    assert_int_equal(a.rc, 0);
    small_check_whole(s.dir, true);
    small_count(s.dir, &n);
    assert_int_equal(n.doubtful, 0);
    run_result_clear(&a.result);
    shoot_job_clear(&job);
}

static void the_program_says_so_with_status_4(void **state)
{
    (void)state;
    struct shoot_job job = make_job("said", NULL);
    struct sweep s = in_doubt(&job, "said");
    struct again a = resume(s.dir, DOUBT_ASK, true);
    run_result_clear(&a.result);
    struct said said = program("resume %s --doubtful maybe", s.dir);
    assert_int_equal(said.status, 2);
    assert_non_null(strstr(said.err, "write shoot_again or ask"));
    said_clear(&said);
    assert_int_equal(err_exit_status(E_STATE), 4);
    said = program("status %s", s.dir);
    assert_non_null(strstr(said.out, "1 doubtful"));
    said_clear(&said);
    shoot_job_clear(&job);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(it_is_shot_again_where_nothing_is_said),
        cmocka_unit_test(by_setting_a_person_is_asked_and_nothing_is_shot),
        cmocka_unit_test(a_camera_that_can_tell_after_all_ends_the_question),
        cmocka_unit_test(the_program_says_so_with_status_4),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
