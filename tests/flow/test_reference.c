/* Frames that belong to a stack without being of its order: kept with it, handed over in a folder of their
 * own. Told by coreutils and jq. */
#include "tests/support/test.h"

#include <sys/stat.h>

#include "tests/support/shell.h"

static void write_job(void)
{
    FILE *f = fopen(in_folder("bench.yaml"), "w");
    assert_non_null(f);
    fputs("camera: {width_px: 240, height_px: 160, sensor_width_mm: 24}\n"
          "axis: {lead_mm: 2, steps_per_rev: 200, microsteps: 16, clearance_mm: 8}\n"
          "lens: {focal_length_mm: 35, f_number: 2.8}\n",
          f);
    fclose(f);
    f = fopen(in_folder("job.yaml"), "w");
    assert_non_null(f);
    fputs("name: clock\nbench: bench.yaml\nmagnification: 4\nnear_mm: 0\nfar_mm: 0.4\nslices: 4\nexposure_s: "
          "0.02\n"
          "settle_ms: 50\nstart_delay_s: 0\n",
          f);
    fclose(f);
}

static int staddle(const char *line)
{
    return in_shell("%s %s", staddle_program(), line);
}

static void says(const char *text)
{
    if (!strstr(shell_out(), text)) fail_msg("not said: %s\n%s%s", text, shell_out(), shell_err());
}

static void complains(const char *text)
{
    if (!strstr(shell_err(), text)) fail_msg("not said: %s\n%s%s", text, shell_out(), shell_err());
}

static void they_are_kept_with_the_stack_and_handed_over_beside_it(void **state)
{
    (void)state;
    write_job();
    assert_int_equal(staddle("simulate job.yaml --stack s >&2"), 0);
    assert_int_equal(in_shell("cp -r s before"), 0);
    assert_int_equal(staddle("camera shoot job.yaml --as ruler --stack s"), 0);
    says("ruler.jpg: ");
    says("kept with s as a reference frame: ruler");
    assert_int_equal(staddle("camera shoot job.yaml --as ruler --stack s"), 0);
    says("ruler_2.jpg: ");
    assert_int_equal(staddle("camera shoot bench.yaml --as lampoff --stack s"),
                     0); /* by the stack's own job */
    says("lampoff.jpg: ");
    /* the stack itself is as it was: what check says of it, too */
    assert_int_equal(
        in_shell("%s check before --json | jq 'del(.stack)' >a; %s check s --json | jq 'del(.stack)' >b; "
                 "diff a b >&2",
                 staddle_program(), staddle_program()),
        0);
    assert_int_equal(staddle("handover s --all --to h"), 0);
    says("in the folder reference: 3 files outside the order");
    assert_int_equal(in_shell("cd h && sha256sum -c --quiet manifest.sha256"), 0);
    assert_int_equal(in_shell("cd h/reference && ls | tr '\\n' ' '"), 0);
    assert_string_equal(shell_out(), "lampoff.jpg ruler.jpg ruler_2.jpg ");
    assert_int_equal(
        in_shell("for f in lampoff ruler ruler_2; do cmp h/reference/$f.jpg s/frames/$f.jpg || exit 1; done"),
        0);
    assert_int_equal(in_shell("jq -e '(.references | length == 3) and (.frames | all(.frame != null)) and "
                              "(.references | all(.exposure_s == 0.02))' h/record.json"),
                     0);
    assert_int_equal(in_shell("grep -c reference/ h/README.txt"), 0);
    assert_int_equal(in_shell("ls h/*.jpg | grep -c ruler"), 1); /* none among the frames */
}

static void a_hand_over_is_verified_with_them(void **state)
{
    (void)state;
    assert_int_equal(staddle("handover --verify h"), 0);
    assert_int_equal(in_shell("touch h/reference/extra.jpg"), 0);
    assert_int_equal(staddle("handover --verify h"), 1);
    says("reference/extra.jpg");
    assert_int_equal(
        in_shell("rm h/reference/extra.jpg; chmod u+w h/reference/ruler.jpg; echo >>h/reference/ruler.jpg"),
        0);
    assert_int_equal(staddle("handover --verify h"), 1);
    says("reference/ruler.jpg");
    assert_int_equal(in_shell("rm -f h/reference/ruler.jpg"), 0);
    assert_int_equal(staddle("handover --verify h"), 1);
    says("reference/ruler.jpg");
    /* without any, the folder is an intruder */
    assert_int_equal(staddle("handover before --all --to g"), 0);
    assert_int_equal(in_shell("test ! -e g/reference && mkdir g/reference"), 0);
    assert_int_equal(staddle("handover --verify g"), 1);
    says("reference");
}

/* The stack goes on after them, and they are no slices of it. */
static void a_stack_is_resumed_as_if_they_were_not_there(void **state)
{
    (void)state;
    assert_int_equal(staddle("resume s"), 0);
    says("whole already");
}

/* One frame is looked at by check; what it says of so small a picture does not matter here. */
static void a_quiet_frame_is_asked_by_check(void **state)
{
    (void)state;
    assert_int_equal(in_shell("%s check s --json | jq -e '.quiet == null'", staddle_program()), 0);
    assert_int_equal(staddle("camera shoot job.yaml --as quiet --stack s"), 0);
    says("kept with s as a reference frame: quiet");
    assert_int_equal(
        in_shell("%s check s --json | jq -e '.quiet.file == \"quiet.jpg\" and .quiet.state != null'",
                 staddle_program()),
        0);
    assert_int_equal(in_shell("ls s/derived/quiet.jpg.cells"), 0);
}

/* The run takes it by itself where the job says so: after the last slice, in the middle, after a long rest.
 */
static void a_run_takes_a_quiet_frame_by_itself(void **state)
{
    (void)state;
    assert_int_equal(in_shell("sed 's/^slices/quiet_frame: true\\nslices/' job.yaml >still.yaml"), 0);
    assert_int_equal(staddle("simulate still.yaml --stack t >&2"), 0);
    assert_int_equal(in_shell("cd t/frames && ls | tr '\\n' ' '"), 0);
    assert_non_null(strstr(shell_out(), "quiet.jpg s0001.jpg"));
    assert_int_equal(staddle("handover t --all --to ht"), 0);
    assert_int_equal(in_shell("jq -e '.references | length == 1 and .[0].exposure_s == 0.02' ht/record.json"),
                     0);
    assert_int_equal(in_shell("%s check t --json | jq -e '.quiet.file == \"quiet.jpg\"'", staddle_program()),
                     0);
    assert_int_equal(staddle("resume t"), 0);
    says("whole already");
}

static void wrong_words_change_nothing(void **state)
{
    (void)state;
    char before[80];
    snprintf(before, sizeof before, "%s", fingerprint("s"));
    assert_int_equal(staddle("camera shoot job.yaml --as horse --stack s"), 2);
    complains("use ruler, grey, empty, lampoff or quiet");
    assert_int_equal(staddle("camera shoot job.yaml --as ruler"), 2);
    complains("needs both");
    assert_int_equal(staddle("camera shoot job.yaml --to a.jpg --as ruler --stack s"), 2);
    assert_int_equal(staddle("camera shoot job.yaml"), 2);
    assert_int_equal(staddle("camera shoot job.yaml --as ruler --stack nothere"), 2);
    assert_int_equal(staddle("camera show job.yaml --to a.jpg"), 2);
    assert_int_equal(staddle("camera frobnicate job.yaml"), 2);
    assert_int_equal(staddle("camera set job.yaml shutter"), 2);
    complains("NAME=VALUE");
    assert_int_equal(staddle("camera set job.yaml shuter=1/4"), 2);
    complains("use one of: shutter, aperture");
    assert_int_equal(staddle("camera show nothere.yaml"), 2);
    assert_string_equal(fingerprint("s"), before);
}

static void a_frame_goes_to_a_file(void **state)
{
    (void)state;
    assert_int_equal(staddle("camera shoot job.yaml --to one.jpg --json"), 0);
    assert_int_equal(in_shell("file one.jpg | grep -q 'JPEG image data.*240x160'"), 0);
    assert_int_equal(staddle("camera shoot job.yaml --to one.jpg"), 2);
    complains("exists already");
    assert_int_equal(staddle("camera show job.yaml --preview seen.jpg"), 0);
    assert_int_equal(in_shell("file seen.jpg | grep -q 'JPEG image data'"), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(they_are_kept_with_the_stack_and_handed_over_beside_it),
        cmocka_unit_test(a_hand_over_is_verified_with_them),
        cmocka_unit_test(a_stack_is_resumed_as_if_they_were_not_there),
        cmocka_unit_test(a_quiet_frame_is_asked_by_check),
        cmocka_unit_test(a_run_takes_a_quiet_frame_by_itself),
        cmocka_unit_test(wrong_words_change_nothing),
        cmocka_unit_test(a_frame_goes_to_a_file),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
