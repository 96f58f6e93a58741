/* Allocations that fail, as in tests/flow/test_allocations.c, where the stack is larger or something has been
 * measured: a quiet frame and spots on the sensor, judged and drawn; what marking and calibration write. */
#include "tests/support/test.h"

#include "base/fs.h"
#include "base/mem.h"
#include "config/bench_measured.h"
#include "config/marks.h"
#include "run/shoot.h"
#include "tests/support/allocations.h"
#include "tests/support/allocations_judge.h"
#include "tests/support/small.h"

static struct shoot_job job;
static char stack[600];

static int set_up(void **state)
{
    (void)state;
    struct run_result r;
    struct err why = {0};
    small_job("mem",
              &(struct small){.width_px = 480,
                              .height_px = 160,
                              .slices = 8,
                              .settle_ms = 200,
                              .scene = "  shows: clock\n  hot_pixels: 12\n",
                              .job = "quiet_frame: true\n"},
              &job);
    snprintf(stack, sizeof stack, "%s", small_path("whole"));
    struct shoot_opts o = {.dir = stack, .virtual_clock = true, .workers = 1};
    if (shoot_new(&job, &o, &r, &why)) print_error("%s\n", why.text);
    run_result_clear(&r);
    return why.code != E_OK;
}

static int tear_down(void **state)
{
    (void)state;
    shoot_job_clear(&job);
    return 0;
}

/* ---- a quiet frame, and spots */

static void a_quiet_frame_and_spots(void **state)
{
    (void)state;
    struct judged_stack s = {.dir = stack, .anew = true};
    allocations_sweep("a quiet frame and spots, judged anew", judged_again, NULL, &s, 7);
    s.anew = false;
    allocations_sweep("the same by what is in derived/", judged_again, NULL, &s, 1);
    judged_open(&s);
    assert_int_not_equal(s.judged.verdict.quiet.state, QUIET_NONE);
    assert_true(s.judged.verdict.spot_count > 0); /* or neither would be drawn */
    allocations_sweep("the same published", judged_publish, judged_has_no_page, &s, 1);
    judged_close(&s);
}

/* ---- what is found at the bench */

static const struct bench_measured FOUND = {
    .backlash = {.position_nm = 12500, .uncertainty_nm = 800, .at = "2001-01-01T20:00:00Z", .how = "test"},
    .sizes_at = "2001-01-01T20:00:00Z",
    .medium_to_small = 6,
    .medium_uncertainty = 0.2,
    .large_to_medium = 5,
    .large_uncertainty = 0.2};
static const struct marks MARKS = {
    .near_end = {.position_nm = 100000, .at = "2001-01-01T20:00:00Z", .how = "by eye"}};

static int read_found(void *arg, struct err *why)
{
    char *text;
    int rc = bench_text_read(arg, &text, why);
    if (!rc) mem_free(text);
    return rc;
}

static int read_marks(void *arg, struct err *why)
{
    struct marks m;
    return marks_read(arg, &m, why);
}

static int note_shot(void *arg, struct err *why)
{
    int rc = marks_note_shot(arg, "2001-01-01T21:00:00Z", why);
    return rc ? rc : marks_write(arg, &MARKS, why); /* as before */
}

static int read_setup(void *arg, struct err *why)
{
    struct shoot_job s;
    int rc = shoot_job_read(arg, NULL, &s, why);
    if (!rc) shoot_job_clear(&s);
    return rc;
}

/* Whole, or not there. */
static void still_read(void *arg)
{
    struct err why = {0};
    if (read_setup(arg, &why)) fail_msg("%s", why.text);
}

static void what_is_found_at_the_bench(void **state)
{
    (void)state;
    char bench[600], path[600];
    snprintf(bench, sizeof bench, "%s", small_path("mem-bench.yaml"));
    snprintf(path, sizeof path, "%s", small_path("mem-job.yaml"));
    assert_int_equal(bench_measured_write(bench, &FOUND, NULL), 0); /* which takes no memory of its own */
    assert_int_equal(marks_write(path, &MARKS, NULL), 0);
    allocations_sweep("calibration: read", read_found, NULL, bench, 1);
    allocations_sweep("marks: read", read_marks, NULL, path, 1);
    allocations_sweep("marks: a stack begun with them", note_shot, still_read, path, 1);
    allocations_sweep("job and bench with both", read_setup, NULL, path, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_quiet_frame_and_spots),
        cmocka_unit_test(what_is_found_at_the_bench),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
