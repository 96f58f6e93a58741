/* An evening with the built programs, in real time: the rail by hand over a pseudo-terminal, marks by eye
 * where it stands, and from a recomposed set to the first frame in three commands. */
#include "tests/support/test.h"

#include <signal.h>
#include <unistd.h>

#include "tests/support/program.h"
#include "tests/support/small.h"
#include "tests/support/virtual_rail.h"

static struct virtual_rail rail;

/* The small bench, but with the rail behind its port. */
static void write_bench(void)
{
    struct shoot_job job;
    small_job(
        "e",
        &(struct small){.width_px = 64, .height_px = 48, .slices = 2, .settle_ms = 50, .exposure_s = 0.05},
        &job);
    shoot_job_clear(&job);
    struct said r = shell("cd %s && sed 's#^  link: .*#  link: %s#' e-bench.yaml >port-bench.yaml && "
                          "sed -i '/^near_mm\\|^far_mm/d' e-job.yaml",
                          test_folder(), rail.port);
    assert_int_equal(r.status, 0);
    said_clear(&r);
}

static struct said axis(const char *words)
{
    struct said r = program("axis %s --bench %s/port-bench.yaml", words, test_folder());
    if (r.status) print_error("axis %s: %s\n", words, r.err);
    return r;
}

static void position_is(const char *mm)
{
    char wanted[64];
    struct said r = axis("show");
    snprintf(wanted, sizeof wanted, "rail: at rest, %s mm", mm);
    assert_int_equal(r.status, 0);
    assert_memory_equal(r.out, wanted, strlen(wanted));
    said_clear(&r);
}

static void moves(const char *words, const char *says)
{
    struct said r = axis(words);
    assert_int_equal(r.status, 0);
    if (says) assert_non_null(strstr(r.err, says));
    said_clear(&r);
}

static void the_rail_keeps_its_place_from_command_to_command(void **state)
{
    (void)state;
    struct said r = axis("go 1mm");
    assert_int_equal(r.status, 4);
    said_clear(&r);
    moves("home", "until it meets its near end");
    moves("go 1mm", "to 1.0000 mm");
    position_is("1.0000");
    moves("jog -250um", "0.2500 mm back, away from the subject");
    position_is("0.7500");
    moves("set 0.8mm", NULL);
    position_is("0.8000");
    moves("park", "back, away from the subject");
    moves("home", NULL);
}

static void marks_are_where_the_rail_stands(void **state)
{
    (void)state;
    moves("go 1.5mm", NULL);
    struct said r =
        program("mark near %s/e-job.yaml --bench %s/port-bench.yaml", test_folder(), test_folder());
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.out, "near  1.5000 mm"));
    said_clear(&r);
    moves("go 2.25mm", NULL);
    r = program("mark far %s/e-job.yaml --bench %s/port-bench.yaml", test_folder(), test_folder());
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.out, "far   2.2500 mm"));
    said_clear(&r);
}

static void ctrl_c_halts_the_rail(void **state)
{
    (void)state;
    moves("home", NULL);
    program_begin("axis go 40mm --bench %s/port-bench.yaml", test_folder());
    program_has_said("to 40.0000 mm");
    usleep(800000); /* it is on its way */
    struct said r = program_interrupt();
    assert_int_equal(r.status, 3);
    assert_non_null(strstr(r.err, "halted by hand at"));
    said_clear(&r);
    r = axis("show");
    double first = 0;
    assert_int_equal(sscanf(r.out, "rail: stopped, %lf mm", &first), 1);
    assert_true(first > 0.1 && first < 10);
    said_clear(&r);
    usleep(300000);
    char still[32];
    snprintf(still, sizeof still, "stopped, %.4f mm", first);
    r = axis("show");
    assert_non_null(strstr(r.out, still));
    said_clear(&r);
    moves("jog 100um", NULL);
}

static void watch_ends_by_itself_or_by_ctrl_c(void **state)
{
    (void)state;
    struct said r = axis("watch --times 2");
    assert_int_equal(r.status, 0);
    const char *second = strchr(r.out, '\n');
    assert_true(second && strlen(second) > 2);
    said_clear(&r);
    program_begin("axis watch --bench %s/port-bench.yaml", test_folder());
    program_has_said("at rest");
    r = program_interrupt();
    assert_int_equal(r.status, 0);
    assert_memory_equal(r.out, "at rest", 7);
    said_clear(&r);
}

static void three_commands_lead_to_the_next_stack(void **state)
{
    (void)state;
    const char *dir = test_folder();
    struct said r = shell("cd %s && staddle run", dir);
    assert_int_equal(r.status, 2); /* nothing to repeat yet */
    said_clear(&r);
    r = shell(
        "cd %s && staddle mark near e-job.yaml --at 0mm && staddle mark far e-job.yaml --at 0.2mm && staddle "
        "run e-job.yaml",
        dir);
    if (r.status) print_error("%s\n", r.err);
    assert_int_equal(r.status, 0);
    said_clear(&r);
    r = shell("cd / && staddle run"); /* composed anew, but not marked */
    assert_int_equal(r.status, 4);
    assert_non_null(strstr(r.err, "not for this composition"));
    said_clear(&r);
    r = shell("cd %s && test ! -e 20*/stack-002", dir);
    assert_int_equal(r.status, 0);
    said_clear(&r);
    r = shell(
        "cd / && staddle mark near %s/e-job.yaml --at 0.1mm && staddle mark far %s/e-job.yaml --at 0.3mm && "
        "staddle run",
        dir, dir);
    if (r.status) print_error("%s\n", r.err);
    assert_int_equal(r.status, 0);
    assert_non_null(strstr(r.out, "stack-002: whole"));
    assert_non_null(strstr(r.out, "stops against the stack before"));
    said_clear(&r);
    r = shell(
        "cd %s && grep -c '^stack-00[12]  ..:..  6 of 6 ' 20*/evening.txt && staddle status 20*/stack-002",
        dir);
    assert_int_equal(r.status, 0);
    assert_memory_equal(r.out, "2\n", 2);
    said_clear(&r);
}

static int set_up(void **state)
{
    (void)state;
    virtual_rail_start(&rail, (const char *const[]){"--seed", "5", NULL});
    write_bench();
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    int64_t pulses, net;
    return virtual_rail_stop(&rail, &pulses, &net);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_rail_keeps_its_place_from_command_to_command),
        cmocka_unit_test(marks_are_where_the_rail_stands),
        cmocka_unit_test(ctrl_c_halts_the_rail),
        cmocka_unit_test(watch_ends_by_itself_or_by_ctrl_c),
        cmocka_unit_test(three_commands_lead_to_the_next_stack),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
