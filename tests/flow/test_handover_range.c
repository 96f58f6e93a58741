/* The far end of the demo's job is set twice as deep as its subject: the hand-over ends where the subject
 * ends. The truth is the scene's: from the nearest arbor at 0 mm down to the slate at 3.4 mm. */
#include "tests/support/test.h"

#include <unistd.h>

#include "tests/support/shell.h"

#define SUBJECT_UM 3400
#define SPACING_UM 151

static long number(const char *format, const char *of)
{
    const int status = in_shell(format, of);
    if (status) print_error(format, of), print_error(": %d %s\n", status, shell_err());
    assert_int_equal(status, 0);
    return strtol(shell_out(), NULL, 10);
}

static void frames_beyond_the_subject_stay_in_the_stack(void **state)
{
    (void)state;
    char here[1024];
    assert_non_null(getcwd(here, sizeof here));
    assert_int_equal(
        in_shell("sed 's/1800/480/; s/1200/320/' '%s/configs/demo-bench.yaml' >demo-bench.yaml &&"
                 " sed 's/^far_mm: 3.4 /far_mm: 6.8 /' '%s/configs/demo-job.yaml' >job.yaml && grep -q 6.8 "
                 "job.yaml",
                 here, here),
        0);
    assert_int_equal(in_shell("'%s' simulate job.yaml --stack st --quiet", staddle_program()), 0);
    const int status = in_shell("'%s' handover st --to h --json >h.json", staddle_program());
    assert_true(status == 0 || status == 1);
    assert_int_equal(in_shell("'%s' check st --json >check.json; test $? -le 1", staddle_program()), 0);
    assert_int_equal(in_shell("cd h && sha256sum --quiet -c manifest.sha256"), 0);

    const long frames = number("jq .frames %s", "check.json");
    const long useful_first = number("jq .useful_first %s", "check.json");
    const long useful_last = number("jq .useful_last %s", "check.json");
    const long margin = number("jq .margin %s", "check.json");
    const long first = number("jq .first %s", "h.json"), last = number("jq .last %s", "h.json");
    assert_int_equal(first, useful_first > margin ? useful_first - margin : 0);
    assert_int_equal(last, useful_last + margin < frames ? useful_last + margin : frames - 1);
    assert_int_equal(number("jq .frames %s", "h.json"), last - first + 1);
    assert_int_equal(number("ls %s | grep -c '_s[0-9]*[.]jpg$'", "h"), last - first + 1);

    /* where the frames handed over lie, by the record; the nearest and the farthest of them */
    static const char at[] = "jq '[.frames[].position_um] | %s | round' h/record.json";
    const long near_um = number(at, "min"), far_um = number(at, "max");
    printf("measured: handed over from %ld to %ld um of a subject from 0 to %d um, shot to 7100 um\n",
           near_um, far_um, SUBJECT_UM);
    assert_true(near_um <= 0);
    assert_in_range(far_um, SUBJECT_UM, SUBJECT_UM + (margin + 2) * SPACING_UM);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(frames_beyond_the_subject_stay_in_the_stack),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
