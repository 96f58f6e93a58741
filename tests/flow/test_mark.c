/* Marks by eye: what they write, what plan makes of them, and that a hand-written file stays as it is. Where
 * the axis is asked (it knows its position), see tests/long/test_at_the_bench.c. */
#include "tests/support/test.h"

#include <jansson.h>

#include "base/units.h"
#include "config/config.h"
#include "config/marks.h"
#include "plan/plan.h"
#include "tests/support/program.h"
#include "tests/support/small.h"

#define JOB "%s/m-job.yaml"

/* A job file with these lines about its depth, and nothing marked. */
static void desk(const char *depth)
{
    struct shoot_job job;
    char path[300];
    snprintf(path, sizeof path, "%s/m-job.measured.yaml", test_folder());
    remove(path);
    small_job("m", &(struct small){0}, &job);
    shoot_job_clear(&job);
    struct said r = shell("cd %s && sed -i '/^near_mm\\|^far_mm/d' m-job.yaml && "
                          "printf '%s' >>m-job.yaml && sha256sum m-job.yaml m-bench.yaml >sums",
                          test_folder(), depth);
    assert_int_equal(r.status, 0);
    said_clear(&r);
}

static struct said mark(const char *words)
{
    return program("mark %s " JOB, words, test_folder());
}

static void marked(const char *words)
{
    struct said r = mark(words);
    if (r.status) print_error("mark %s: %s\n", words, r.err);
    assert_int_equal(r.status, 0);
    said_clear(&r);
    r = shell("cd %s && sha256sum --check --status sums", test_folder());
    assert_int_equal(r.status, 0);
    said_clear(&r);
}

static void ends_are(double near_mm, double far_mm)
{
    struct job job;
    struct bench bench;
    struct plan plan;
    struct err why = {0};
    char path[300];
    snprintf(path, sizeof path, JOB, test_folder());
    if (setup_read(path, NULL, &job, &bench, &why)) fail_msg("%s", why.text);
    if (plan_make(&bench, &job, &plan, NULL, &why)) fail_msg("%s", why.text);
    assert_int_equal(plan.near_nm, nm_from_mm(near_mm));
    assert_int_equal(plan.far_nm, nm_from_mm(far_mm));
    /* what the stack keeps says the same */
    struct job again;
    assert_int_equal(job_parse(job.job_text, "kept", &again, &why), 0);
    assert_int_equal(again.near_nm, job.near_nm);
    assert_int_equal(again.far_nm, job.far_nm);
    job_clear(&again);
    plan_clear(&plan);
    job_clear(&job);
    bench_clear(&bench);
}

static void marks_come_before_what_is_written(void **state)
{
    (void)state;
    desk("near_mm: 0\\nfar_mm: 2\\n");
    ends_are(0, 2);
    marked("near --at 0.25mm");
    ends_are(0.25, 2);
    marked("far --at 1750um");
    ends_are(0.25, 1.75);
    marked("+0.5mm");
    ends_are(0.25, 0.75);
}

static void a_depth_goes_on_from_the_end_that_is_marked(void **state)
{
    (void)state;
    desk("depth_mm: 2\\n");
    marked("near --at 1mm");
    ends_are(1, 3);
    desk("depth_mm: 2\\n");
    marked("far --at 5mm");
    ends_are(3, 5);
    marked("near --at 4mm");
    ends_are(4, 5);
}

static void one_end_alone_is_not_enough_and_says_so(void **state)
{
    (void)state;
    desk("");
    marked("near --at 1mm");
    struct said r = program("plan " JOB, test_folder());
    assert_int_equal(r.status, 2);
    assert_non_null(strstr(r.err, "mark the far end"));
    said_clear(&r);
    marked("+1.5mm");
    ends_are(1, 2.5);
}

static void plan_says_where_a_mark_came_from(void **state)
{
    (void)state;
    desk("near_mm: 0\\nfar_mm: 2\\n");
    marked("near --at 0.25mm");
    struct said r = program("plan " JOB, test_folder());
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.out, "near_mm 0.25, measured 20"));
    assert_non_null(strstr(r.out, "by eye"));
    assert_non_null(strstr(r.out, "far_mm 2, line "));
    said_clear(&r);
}

/* Half the depth of field either way, by the geometric and wave terms that plan prints: the published
 * formulas are tested in tests/unit/test_lens.c and test_diffraction.c. */
static void a_mark_is_as_sure_as_an_eye(void **state)
{
    (void)state;
    desk("near_mm: 0\\nfar_mm: 2\\n");
    marked("near --at 0.25mm");
    struct said r = program("plan --json " JOB, test_folder());
    json_t *plan = json_loads(r.out, 0, NULL);
    const double depth_um = json_number_value(json_object_get(json_object_get(plan, "optics"), "depth_um"));
    assert_true(depth_um > 10);
    struct marks m;
    char path[300];
    snprintf(path, sizeof path, JOB, test_folder());
    assert_int_equal(marks_read(path, &m, NULL), 0);
    assert_near(um_from_nm(m.near_end.uncertainty_nm), depth_um / 2, 0.01);
    json_decref(plan);
    said_clear(&r);
}

static void a_mark_on_the_wrong_side_drops_the_other(void **state)
{
    (void)state;
    desk("");
    marked("near --at 0mm");
    marked("far --at 2mm");
    struct said r = mark("near --at 3mm");
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.out, "wrong side"));
    assert_non_null(strstr(r.out, "far   not marked"));
    said_clear(&r);
}

static void marks_are_void_once_a_stack_was_begun_with_them(void **state)
{
    (void)state;
    char path[300];
    struct marks m;
    snprintf(path, sizeof path, JOB, test_folder());
    desk("");
    assert_int_equal(marks_note_shot(path, "2026-11-25T20:00:00.000Z", NULL), 0); /* nothing is marked */
    marked("near --at 0mm");
    marked("far --at 2mm");
    assert_int_equal(marks_note_shot(path, "2026-11-25T20:14:00.000Z", NULL), 0);
    assert_int_equal(marks_note_shot(path, "2026-11-25T21:00:00.000Z", NULL), 0);
    assert_int_equal(marks_read(path, &m, NULL), 0);
    assert_string_equal(m.shot_at, "2026-11-25T20:14:00.000Z"); /* the first one counts */
    struct said r = mark("+1mm");
    assert_int_equal(r.status, 4);
    assert_non_null(strstr(r.err, "stack before"));
    said_clear(&r);
    r = mark("far --at 2.5mm");
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.out, "near  not marked"));
    said_clear(&r);
    assert_int_equal(marks_read(path, &m, NULL), 0);
    assert_string_equal(m.shot_at, "");
    assert_string_equal(m.near_end.at, "");
    assert_int_equal(m.far_end.position_nm, 2500000);
}

static void bad_words_write_nothing(void **state)
{
    (void)state;
    static const struct {
        const char *words, *says;
        int status;
    } BAD[] = {
        {"middle --at 1mm", "near, far", 2},
        {"near --at 1", "with its unit", 2},
        {"near --at", "", 2},
        {"+2.5", "with its unit", 2},
        {"+0mm", "deeper", 2},
        {"-- -2mm", "near, far", 2},
        {"+1mm", "mark near", 4},
        {"+1mm --at 2mm", "leave --at out", 2},
        {"near --at 99999mm", "more than", 2},
        {"near", "does not know where it stands", 4},
    };
    desk("");
    for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++) {
        struct said r = mark(BAD[i].words);
        if (r.status != BAD[i].status || !strstr(r.err, BAD[i].says))
            print_error("mark %s: status %d, %s\n", BAD[i].words, r.status, r.err);
        assert_int_equal(r.status, BAD[i].status);
        assert_non_null(strstr(r.err, BAD[i].says));
        assert_string_equal(r.out, "");
        said_clear(&r);
        r = shell("test ! -e %s/m-job.measured.yaml", test_folder());
        assert_int_equal(r.status, 0);
        said_clear(&r);
    }
}

static void a_damaged_file_of_marks_is_told_with_its_line(void **state)
{
    (void)state;
    static const struct {
        const char *text, *says;
    } BAD[] = {
        {"measured:\\n  near_mm: x\\n", ".measured.yaml:2: measured.near_mm"},
        {"measured:\\n  near_mm: 1\\n", ".measured.yaml:2: measured.near_mm and measured.near_at belong"},
        {"measured:\\n  near_at: 2026\\n", ".measured.yaml:2: measured.near_mm and measured.near_at belong"},
        {"far_mm: 2\\nnear_mm: 1\\n", ".measured.yaml:1: far_mm belongs into the job file"},
        {"measured:\\n  nearmm: 1\\n", "did you mean near_mm"},
        {"a: [\\n", ".measured.yaml:"},
    };
    for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++) {
        desk("near_mm: 0\\nfar_mm: 2\\n");
        struct said r = shell("printf '%s' >%s/m-job.measured.yaml", BAD[i].text, test_folder());
        said_clear(&r);
        r = program("plan " JOB, test_folder());
        if (r.status != 2 || !strstr(r.err, BAD[i].says)) print_error("%s says %s\n", BAD[i].text, r.err);
        assert_int_equal(r.status, 2);
        assert_non_null(strstr(r.err, BAD[i].says));
        said_clear(&r);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(marks_come_before_what_is_written),
        cmocka_unit_test(a_depth_goes_on_from_the_end_that_is_marked),
        cmocka_unit_test(one_end_alone_is_not_enough_and_says_so),
        cmocka_unit_test(plan_says_where_a_mark_came_from),
        cmocka_unit_test(a_mark_is_as_sure_as_an_eye),
        cmocka_unit_test(a_mark_on_the_wrong_side_drops_the_other),
        cmocka_unit_test(marks_are_void_once_a_stack_was_begun_with_them),
        cmocka_unit_test(bad_words_write_nothing),
        cmocka_unit_test(a_damaged_file_of_marks_is_told_with_its_line),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
