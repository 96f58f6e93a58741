/* Frames shot elsewhere become a stack. Checksums, names and what was touched are told by coreutils and
 * findutils. */
#include "tests/support/test.h"

#include <sys/stat.h>
#include <unistd.h>

#include "base/mem.h"
#include "store/import.h"
#include "store/store.h"
#include "tests/support/camera_files.h"
#include "tests/support/faults.h"
#include "tests/support/shell.h"

static char *folder_of(const char *name)
{
    char *path = in_folder("%s", name);
    assert_int_equal(mkdir(path, 0777), 0);
    return path;
}

static void jpeg(const char *folder, const char *name, unsigned seed, const char *time)
{
    write_jpeg(in_folder("%s/%s", folder, name), (struct shot_facts){64, 48, seed, time, NULL});
}

static int import(const char *folder, const char *stack, enum stack_order order, struct err *why)
{
    struct import_list list;
    const struct stack_info info = {
        .kind = STACK_IMPORTED, .order = order, .name = "moth", .created_wall_us = 1};
    int rc = import_scan(in_folder("%s", folder), &list, why);
    if (rc) return rc;
    rc = import_make(&list, in_folder("%s", stack), &info, why);
    import_list_clear(&list);
    return rc;
}

struct seen {
    struct frame_row *rows;
    int32_t count;
    char order[512]; /* "a.jpg b.jpg ": names before, in capture order */
    char slices[256];
};

/* Reads the stack and has sha256sum compare every frame with the original of the name it had before. */
static struct seen look(const char *stack, const char *folder)
{
    struct store *st;
    struct seen s = {0};
    struct err why = {0};
    assert_int_equal(store_open(in_folder("%s", stack), true, &st, &why), E_OK);
    assert_int_equal(store_frames(st, &s.rows, &s.count, &why), E_OK);
    for (int32_t i = 0; i < s.count; i++) {
        const struct frame_row *f = &s.rows[i];
        snprintf(s.order + strlen(s.order), sizeof s.order - strlen(s.order), "%s ", f->files[0].object_name);
        snprintf(s.slices + strlen(s.slices), sizeof s.slices - strlen(s.slices), "%d ", (int)f->slice);
        for (int32_t k = 0; k < f->file_count; k++) {
            assert_int_equal(in_shell("cmp '%s/%s' '%s/frames/%s'", folder, f->files[k].object_name, stack,
                                      f->files[k].name),
                             0);
            assert_int_equal(in_shell("sha256sum '%s/%s'", folder, f->files[k].object_name), 0);
            assert_memory_equal(shell_out(), f->files[k].sha256, 64);
        }
    }
    store_close(st);
    return s;
}

static void frames_come_by_capture_time_and_equal_times_by_name(void **state)
{
    (void)state;
    struct err why = {0};
    folder_of("times");
    jpeg("times", "z1.jpg", 1, "2026:11:25 20:00:01");
    jpeg("times", "f10.jpg", 2, "2026:11:25 20:00:02");
    jpeg("times", "f9.jpg", 3, "2026:11:25 20:00:02");
    jpeg("times", "a1.jpg", 4, "2026:11:25 20:00:03");
    write_jpeg(in_folder("times/b1.jpg"), (struct shot_facts){64, 48, 5, "2026:11:25 20:00:01", "9"});
    assert_int_equal(import("times", "times.stack", ORDER_NEAR_FIRST, &why), E_OK);
    struct seen s = look("times.stack", "times");
    assert_string_equal(s.order, "z1.jpg b1.jpg f9.jpg f10.jpg a1.jpg ");
    assert_string_equal(s.slices, "1 2 3 4 5 ");
    assert_true(s.rows[0].exposure_us == 250000);
    assert_near(s.rows[0].f_number, 2.8, 1e-9);
    /* date -u -d '2026-11-25 20:00:01' +%s */
    assert_true(s.rows[0].captured_wall_us == 1795636801000000 &&
                s.rows[1].captured_wall_us == 1795636801900000);
    assert_true(s.rows[0].target_nm == STACK_NONE && s.rows[0].files[0].width_px == 64);
    mem_free(s.rows);
}

static void one_frame_without_a_time_and_all_go_by_name(void **state)
{
    (void)state;
    struct err why = {0};
    folder_of("untimed");
    jpeg("untimed", "IMG_10.JPG", 1, "2026:11:25 20:00:01");
    jpeg("untimed", "IMG_9.JPG", 2, "2026:11:25 20:00:09");
    jpeg("untimed", "IMG_0100.JPG", 3, NULL);
    assert_int_equal(import("untimed", "untimed.stack", ORDER_UNKNOWN, &why), E_OK);
    struct seen s = look("untimed.stack", "untimed");
    assert_string_equal(s.order, "IMG_9.JPG IMG_10.JPG IMG_0100.JPG ");
    mem_free(s.rows);
}

static void a_raw_and_its_jpeg_are_one_frame(void **state)
{
    (void)state;
    struct err why = {0};
    folder_of("pairs");
    for (unsigned i = 1; i <= 3; i++) {
        write_jpeg(in_folder("pairs/P%u.JPG", i),
                   (struct shot_facts){64, 48, i, "2026:11:25 20:00:01", NULL});
        write_dng(in_folder("pairs/P%u.dng", i), (struct shot_facts){64, 48, i, NULL, NULL});
    }
    assert_int_equal(import("pairs", "pairs.stack", ORDER_NEAR_FIRST, &why), E_OK);
    struct seen s = look("pairs.stack", "pairs");
    assert_int_equal(s.count, 3);
    assert_int_equal(s.rows[1].file_count, 2);
    assert_int_equal(s.rows[1].files[0].role, FILE_JPEG);
    assert_int_equal(s.rows[1].files[1].role, FILE_RAW);
    assert_string_equal(s.rows[1].files[0].name, "s0002.jpg");
    assert_string_equal(s.rows[1].files[1].name, "s0002.dng");
    assert_string_equal(s.rows[1].files[1].object_name, "P2.dng");
    mem_free(s.rows);
    jpeg("pairs", "P2.jpeg", 9, NULL);
    assert_int_equal(import("pairs", "pairs2.stack", ORDER_NEAR_FIRST, &why), E_INPUT);
    assert_non_null(strstr(why.text, "a second picture of that name"));
}

static void shot_from_far_to_near_the_slices_count_down(void **state)
{
    (void)state;
    struct err why = {0};
    folder_of("far");
    jpeg("far", "1.jpg", 1, NULL);
    jpeg("far", "2.jpg", 2, NULL);
    jpeg("far", "3.jpg", 3, NULL);
    assert_int_equal(import("far", "far.stack", ORDER_FAR_FIRST, &why), E_OK);
    struct seen s = look("far.stack", "far");
    assert_string_equal(s.order, "1.jpg 2.jpg 3.jpg "); /* capture order */
    assert_string_equal(s.slices, "3 2 1 ");
    assert_string_equal(s.rows[0].files[0].name, "s0003.jpg");
    mem_free(s.rows);
}

static void originals_are_only_read(void **state)
{
    (void)state;
    struct err why = {0};
    folder_of("touch");
    jpeg("touch", "1.jpg", 1, NULL);
    jpeg("touch", "2.jpg", 2, NULL);
    assert_int_equal(
        in_shell("echo note >touch/note.txt; chmod 400 touch/1.jpg; touch -d 2020-01-01 touch touch/2.jpg"),
        0);
    const char *before = fingerprint("touch");
    assert_int_equal(import("touch", "touch.stack", ORDER_UNKNOWN, &why), E_OK);
    assert_string_equal(fingerprint("touch"), before);
    assert_int_equal(in_shell("stat -c '%%a %%h' touch.stack/frames/*"), 0);
    assert_string_equal(shell_out(), "444 1\n444 1\n"); /* read-only, and no second name of an original */
}

/* --- input that is wrong: exit 2, one line that says what, nothing written --- */

static void refused(const char *arguments, const char *says)
{
    assert_int_equal(in_shell("ls -A | grep -v '^[.]' | sort >.names"), 0);
    const int status = in_shell("'%s' import %s", staddle_program(), arguments);
    const char *told = shell_err();
    if (status != 2 || !strstr(told, says)) print_error("import %s: %d: %s\n", arguments, status, told);
    assert_int_equal(status, 2);
    assert_non_null(strstr(told, says));
    assert_int_equal(strchr(told, '\n') - told + 1, (long)strlen(told)); /* one line */
    assert_int_equal(in_shell("ls -A | grep -v '^[.]' | sort | cmp - .names"), 0);
}

static void wrong_input_is_told_in_one_line_and_nothing_is_written(void **state)
{
    (void)state;
    folder_of("good");
    jpeg("good", "1.jpg", 1, NULL);
    jpeg("good", "2.jpg", 2, NULL);
    refused("nowhere", "nowhere: cannot open the folder");
    refused("good/1.jpg", "good/1.jpg: cannot open the folder");
    refused("good --order sideways", "--order sideways: give near-first, far-first or unknown");
    folder_of("empty");
    refused("empty", "empty: no picture in it");
    assert_int_equal(
        in_shell("echo hello >empty/readme.txt; mkdir empty/sub; ln -s ../good/1.jpg empty/1.jpg"), 0);
    refused("empty", "empty: no picture in it");
    assert_int_equal(in_shell("cp -r good none; echo this is no picture >none/3.jpg"), 0);
    refused("none", "none/3.jpg: ");
    assert_int_equal(
        in_shell("cp -r good short; head -c $(($(stat -c %%s good/2.jpg) / 2)) good/2.jpg >short/2.jpg"), 0);
    refused("short", "short/2.jpg: the picture is cut short");
    assert_int_equal(in_shell("cp -r good shorter; head -c -2 good/2.jpg >shorter/2.jpg"),
                     0); /* only EOI is missing */
    refused("shorter", "shorter/2.jpg: the picture is cut short");
    assert_int_equal(in_shell("cp -r good nothing; : >nothing/2.jpg"), 0);
    refused("nothing", "nothing/2.jpg: ");
    assert_int_equal(in_shell("cp -r good mixed"), 0);
    write_jpeg(in_folder("mixed/3.jpg"), (struct shot_facts){48, 64, 3, NULL, NULL});
    refused("mixed", "mixed/3.jpg: 48 x 64 pixels, 1.jpg has 64 x 48");
    assert_int_equal(in_shell("mkdir many; cd many; seq -f %%04g.jpg 4001 | xargs touch"), 0);
    refused("many", "many: more than 4000 frames");
    assert_int_equal(in_shell("mkdir taken; echo mine >taken/file"), 0);
    refused("good --stack taken", "taken: exists already");
    refused("good --stack no/such/place", "no/such: no such folder");
    refused("good --stack ''", "an empty folder name");
    assert_int_equal(in_shell("cat taken/file"), 0);
    assert_string_equal(shell_out(), "mine\n");
}

static void the_program_says_what_it_left_out(void **state)
{
    (void)state;
    folder_of("said");
    jpeg("said", "1.jpg", 1, NULL);
    assert_int_equal(
        in_shell("echo x >said/notes.txt; mkdir said/sub; mkfifo said/pipe.jpg; echo x >said/.hidden.jpg"),
        0);
    assert_int_equal(in_shell("'%s' import said --order near-first --stack said.stack", staddle_program()),
                     0);
    assert_string_equal(shell_out(), "said.stack: 1 frame in 1 file, 64 x 48 pixels\n"
                                     "ordered by name, from 1.jpg to 1.jpg; shot from near to far\n"
                                     "left out: .hidden.jpg (hidden)\n"
                                     "left out: notes.txt (no picture by its name)\n"
                                     "left out: pipe.jpg (a link or a device)\n"
                                     "left out: sub (a folder)\n");
    assert_int_equal(
        in_shell(
            "'%s' import said --json --stack said2.stack | jq -r '.frames, .ordered_by, .skipped[1].name'",
            staddle_program()),
        0);
    assert_string_equal(shell_out(), "1\nname\nnotes.txt\n");
}

static void without_a_place_the_stack_goes_to_tonights_folder(void **state)
{
    (void)state;
    folder_of("night");
    jpeg("night", "1.jpg", 1, NULL);
    assert_int_equal(
        in_shell(
            "mkdir bench; cd bench; '%s' import ../night --quiet && '%s' import ../night --quiet; ls -d */*",
            staddle_program(), staddle_program()),
        0);
    const char *out = shell_out();
    assert_non_null(strstr(out, "/stack-001\n"));
    assert_non_null(strstr(out, "/stack-002\n"));
}

/* --- every write, sync and rename fails once --- */

static void a_failed_import_leaves_nothing_and_can_be_repeated(void **state)
{
    (void)state;
    folder_of("sweep");
    jpeg("sweep", "1.jpg", 1, NULL);
    jpeg("sweep", "2.jpg", 2, NULL);
    const char *originals = fingerprint("sweep");
    assert_int_equal(in_shell("ls -A | grep -v '^[.]' | sort >.names"), 0);
    long n = 0, calls;
    for (bool failed = true; failed; n++) {
        struct err why = {0};
        faults_at(n + 1);
        const int rc = import("sweep", "sweep.stack", ORDER_UNKNOWN, &why);
        calls = faults_calls();
        failed = faults_happened();
        faults_at(0);
        assert_true(failed ? rc == E_IO || rc == E_FULL : rc == E_OK);
        if (failed) assert_int_equal(in_shell("ls -A | grep -v '^[.]' | sort | cmp - .names"), 0);
    }
    struct seen s = look("sweep.stack", "sweep");
    assert_int_equal(s.count, 2);
    mem_free(s.rows);
    assert_string_equal(fingerprint("sweep"), originals);
    printf(
        "measured: an import of 2 frames failed at each of %ld writes, syncs and renames, and left nothing\n",
        calls);
    assert_int_equal(n - 1, calls);
    assert_true(calls >= 8);
}

/* A frame taken when all was still stands beside the order, whether it lay among the others or not. */
static void a_quiet_frame_is_kept_beside_the_order(void **state)
{
    (void)state;
    folder_of("still");
    folder_of("elsewhere");
    for (int i = 1; i <= 4; i++) {
        char name[16], time[32];
        snprintf(name, sizeof name, "f%d.jpg", i);
        snprintf(time, sizeof time, "2026:11:25 20:00:%02d", i);
        jpeg("still", name, (unsigned)i, time);
    }
    jpeg("elsewhere", "calm.jpg", 9, "2026:11:25 20:01:00");
    const char *program = staddle_program();
    assert_int_equal(in_shell("%s import still --stack q1 --quiet-frame still/f3.jpg", program), 0);
    assert_non_null(strstr(shell_out(), "3 frames in 3 files"));
    assert_non_null(strstr(shell_out(), "f3.jpg is kept beside them"));
    assert_int_equal(in_shell("cmp still/f3.jpg q1/frames/quiet.jpg && ls q1/frames | wc -l"), 0);
    assert_string_equal(shell_out(), "4\n");
    assert_int_equal(in_shell("%s import still --stack q2 --quiet-frame elsewhere/calm.jpg", program), 0);
    assert_non_null(strstr(shell_out(), "4 frames in 4 files"));
    assert_int_equal(in_shell("cmp elsewhere/calm.jpg q2/frames/quiet.jpg"), 0);
    assert_int_equal(
        in_shell("%s check q2 --json | jq -e '.quiet.file == \"quiet.jpg\" and (.frames == 4)'", program), 0);
    assert_int_equal(in_shell("ls q2/derived/quiet.jpg.cells"), 0);
    write_jpeg(in_folder("elsewhere/small.jpg"), (struct shot_facts){32, 48, 3, NULL, NULL});
    assert_int_equal(in_shell("printf nothing >elsewhere/torn.jpg"), 0);
    assert_int_equal(in_shell("%s import still --stack q3 --quiet-frame elsewhere/small.jpg", program), 2);
    assert_non_null(strstr(shell_err(), "32 x 48 pixels, the frames have 64 x 48"));
    assert_int_equal(in_shell("%s import still --stack q3 --quiet-frame elsewhere/torn.jpg", program), 2);
    assert_int_equal(in_shell("%s import still --stack q3 --quiet-frame elsewhere/none.jpg", program), 2);
    assert_int_equal(in_shell("test ! -e q3"), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(frames_come_by_capture_time_and_equal_times_by_name),
        cmocka_unit_test(a_quiet_frame_is_kept_beside_the_order),
        cmocka_unit_test(one_frame_without_a_time_and_all_go_by_name),
        cmocka_unit_test(a_raw_and_its_jpeg_are_one_frame),
        cmocka_unit_test(shot_from_far_to_near_the_slices_count_down),
        cmocka_unit_test(originals_are_only_read),
        cmocka_unit_test(wrong_input_is_told_in_one_line_and_nothing_is_written),
        cmocka_unit_test(the_program_says_what_it_left_out),
        cmocka_unit_test(without_a_place_the_stack_goes_to_tonights_folder),
        cmocka_unit_test(a_failed_import_leaves_nothing_and_can_be_repeated),
    };
    faults_at(0); /* no sync of ours reaches the disk: nobody pulls the plug here */
    return cmocka_run_group_tests(tests, NULL, NULL);
}
