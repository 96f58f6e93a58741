/* Wrong input is told in one clear sentence with its file and line, ends with 2, and changes nothing: every
 * verb that takes a file, on every kind of wrong file that a person is likely to give. */
#include "tests/support/test.h"

#include <unistd.h>

#include "tests/support/camera_files.h"
#include "tests/support/shell.h"

#define GOOD_CAMERA                                                                                          \
    "camera:\\n  kind: simulated\\n  width_px: 1800\\n  height_px: 1200\\n  sensor_width_mm: 24\\n"
#define GOOD_AXIS                                                                                            \
    "axis:\\n  kind: rail\\n  link: simulated\\n  lead_mm: 2\\n  steps_per_rev: 200\\n  microsteps: 16\\n"   \
    "  clearance_mm: 8\\n"
#define GOOD_LENS  "lens:\\n  focal_length_mm: 35\\n  f_number: 2.8\\n"
#define GOOD_BENCH GOOD_CAMERA GOOD_AXIS GOOD_LENS
#define GOOD_JOB   "bench: b.yaml\\nmagnification: 4\\nnear_mm: 0\\nfar_mm: 0.2\\nexposure_s: 0.1\\n"

struct bad {
    const char *bench, *job; /* files b.yaml and j.yaml as printf writes them */
    const char *says[3];     /* each stands in the message */
};

static const struct bad bad_files[] = {
    {GOOD_BENCH, GOOD_JOB "spaceing_um: 40\\n", {"j.yaml:6:", "spaceing_um", "spacing_um"}},
    {GOOD_BENCH, GOOD_JOB "spacing_um: .nan\\n", {"j.yaml:6:", "spacing_um"}},
    {GOOD_BENCH, GOOD_JOB "spacing_um: nan\\n", {"j.yaml:6:", "spacing_um"}},
    {GOOD_BENCH, GOOD_JOB "spacing_um: -40\\n", {"j.yaml:6:", "spacing_um"}},
    {GOOD_BENCH, GOOD_JOB "spacing_um: 40 um\\n", {"j.yaml:6:", "spacing_um"}},
    {GOOD_CAMERA GOOD_AXIS "lens:\\n  f_number: 0\\n", GOOD_JOB, {"b.yaml:14:", "f_number"}},
    {GOOD_BENCH,
     "bench: b.yaml\\nmagnification: 4\\nnear_mm: 1\\nfar_mm: 0.2\\n",
     {"j.yaml:", "near", "far"}},
    {GOOD_BENCH, GOOD_JOB "spacing_um: 0.04\\n", {"4000", "every 0.06 um"}},
    {GOOD_BENCH, "bench: b.yaml\\nmagnification: 4\\nnear_mm: 0\\nfar_mm: 9\\n", {"clearance", "8"}},
    {GOOD_BENCH,
     "bench: b.yaml\\nmagnification: 4\\nnear_mm: 0\\nnear_mm: 1\\nfar_mm: 2\\n",
     {"j.yaml:4:", "near_mm"}},
    {GOOD_BENCH, "bench: b.yaml\\nmagnification: [4\\n", {"j.yaml:"}},
    {GOOD_BENCH, "", {"j.yaml"}},
    {GOOD_BENCH, "bench: gone.yaml\\nmagnification: 4\\nnear_mm: 0\\nfar_mm: 1\\n", {"gone.yaml"}},
};

static void write_files(const struct bad *b)
{
    assert_int_equal(
        in_shell("mkdir -p w && cd w && printf '%s' >b.yaml && printf '%s' >j.yaml", b->bench, b->job), 0);
}

/* One line that holds all of `says`, nothing on the standard output, status 2, and nothing changed. */
static void is_refused(const char *command, const char *const says[3])
{
    char before[256];
    snprintf(before, sizeof before, "%s", fingerprint("w"));
    const int status = in_shell("cd w && %s %s", staddle_program(), command);
    const char *text = shell_err();
    if (status != 2) fail_msg("%s: ended with %d, not 2: %s", command, status, text);
    assert_string_equal(shell_out(), "");
    for (int i = 0; i < 3 && says[i]; i++)
        if (!strstr(text, says[i])) fail_msg("%s: '%s' is not in: %s", command, says[i], text);
    const char *line_end = strchr(text, '\n');
    if (!line_end || line_end[1]) fail_msg("%s: not one line: %s", command, text);
    if (strcmp(before, fingerprint("w"))) fail_msg("%s: changed something", command);
}

static void bad_bench_and_job_files_are_refused_by_every_verb_that_reads_them(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof bad_files / sizeof *bad_files; i++) {
        write_files(&bad_files[i]);
        is_refused("plan j.yaml", bad_files[i].says);
        is_refused("simulate j.yaml --stack s", bad_files[i].says);
        is_refused("run j.yaml --stack s", bad_files[i].says);
    }
}

static void frames_that_make_no_stack_are_refused(void **state)
{
    (void)state;
    const struct shot_facts small = {.width = 96, .height = 64, .seed = 1},
                            large = {.width = 128, .height = 64, .seed = 2};
    assert_int_equal(in_shell("rm -rf w; mkdir -p w/empty w/text w/cut w/good w/mixed w/there"), 0);
    assert_int_equal(in_shell("cd w && echo hello >text/a.jpg && printf 'GIF89a' >there/x"), 0);
    write_jpeg(in_folder("w/mixed/a.jpg"), small);
    write_jpeg(in_folder("w/mixed/b.jpg"), large);
    write_jpeg(in_folder("w/cut/a.jpg"), small);
    write_jpeg(in_folder("w/good/a.jpg"), small);
    assert_int_equal(in_shell("cd w && head -c 700 cut/a.jpg >cut/b.jpg"), 0);
    is_refused("import empty --stack s", (const char *const[3]){"empty", "no"});
    is_refused("import gone --stack s", (const char *const[3]){"gone"});
    is_refused("import text --stack s", (const char *const[3]){"a.jpg"});
    is_refused("import cut --stack s", (const char *const[3]){"b.jpg"});
    is_refused("import mixed --stack s", (const char *const[3]){"b.jpg", "128", "96"});
    is_refused("import mixed/a.jpg --stack s", (const char *const[3]){"a.jpg", "folder"});
    is_refused("import good --stack there", (const char *const[3]){"there", "exists"});
    is_refused("import good --order sideways", (const char *const[3]){"sideways", "near-first"});
    is_refused("measure text/a.jpg", (const char *const[3]){"a.jpg"});
    is_refused("measure cut/b.jpg", (const char *const[3]){"b.jpg"});
    is_refused("measure gone.jpg", (const char *const[3]){"gone.jpg"});
}

static void a_folder_of_more_frames_than_a_stack_holds_is_refused(void **state)
{
    (void)state;
    const struct shot_facts small = {.width = 96, .height = 64, .seed = 1};
    assert_int_equal(in_shell("rm -rf w; mkdir -p w/many"), 0);
    write_jpeg(in_folder("w/many/1.jpg"), small);
    for (int i = 2; i <= 4001; i++)
        assert_int_equal(link(in_folder("w/many/1.jpg"), in_folder("w/many/%d.jpg", i)), 0);
    is_refused("import many --stack s", (const char *const[3]){"many", "4000"});
}

static void folders_that_are_no_stack_are_refused(void **state)
{
    (void)state;
    assert_int_equal(in_shell("rm -rf w; mkdir -p w/plain w/full && echo 1 >w/full/mine"), 0);
    static const char *const verbs[] = {"check", "resume", "status", "handover --to out"};
    for (size_t i = 0; i < sizeof verbs / sizeof *verbs; i++) {
        char command[64];
        snprintf(command, sizeof command, "%s plain", verbs[i]);
        is_refused(command, (const char *const[3]){"plain", "stack"});
        snprintf(command, sizeof command, "%s gone", verbs[i]);
        is_refused(command, (const char *const[3]){"gone"});
        snprintf(command, sizeof command, "%s", verbs[i]);
        is_refused(command, (const char *const[3]){"STACK", "--help"});
    }
}

static void an_existing_stack_folder_is_never_written_into(void **state)
{
    (void)state;
    const struct bad good = {GOOD_BENCH, GOOD_JOB, {0}};
    assert_int_equal(in_shell("rm -rf w"), 0);
    write_files(&good);
    assert_int_equal(in_shell("mkdir -p w/s && echo mine >w/s/mine"), 0);
    is_refused("simulate j.yaml --stack s", (const char *const[3]){"s", "exists"});
    is_refused("run j.yaml --stack s", (const char *const[3]){"s", "exists"});
}

static void a_command_line_that_is_wrong_is_refused(void **state)
{
    (void)state;
    assert_int_equal(in_shell("rm -rf w; mkdir w"), 0);
    is_refused("frobnicate", (const char *const[3]){"frobnicate", "--help"});
    is_refused("plan --frobnicate", (const char *const[3]){"--frobnicate", "--help"});
    is_refused("plan a b", (const char *const[3]){"b"});
    is_refused("plan -j a", (const char *const[3]){"-j"});
    is_refused("check s --region 1,2,3", (const char *const[3]){"region"});
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bad_bench_and_job_files_are_refused_by_every_verb_that_reads_them),
        cmocka_unit_test(frames_that_make_no_stack_are_refused),
        cmocka_unit_test(a_folder_of_more_frames_than_a_stack_holds_is_refused),
        cmocka_unit_test(folders_that_are_no_stack_are_refused),
        cmocka_unit_test(an_existing_stack_folder_is_never_written_into),
        cmocka_unit_test(a_command_line_that_is_wrong_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
