/* The real program, the real clock and the real inotify: a terminal on which somebody presses Enter, a folder
 * into which another process writes. Seconds each, all runs at once. */
#include "tests/support/test.h"

#include <fcntl.h>
#include <signal.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tests/support/picture.h"
#include "tests/support/program.h"
#include "tests/support/small.h"

#define SLICES 6 /* 2 from near to far and 4 of margin */

enum { FRAMES, KEYS, STOPPED, HALTED, GONE, RUNS };
static const char *const NAMES[RUNS] = {"frames", "keys", "stopped", "halted", "gone"};

static struct run {
    pid_t pid;
    int keyboard; /* the side that types */
} runs[RUNS];

static void write_bench(const char *name, bool folder)
{
    char file[64];
    snprintf(file, sizeof file, "%s-bench.yaml", name);
    FILE *f = fopen(small_path(file), "w");
    assert_non_null(f);
    fprintf(f, "camera:\n  width_px: 64\n  height_px: 48\n  sensor_width_mm: 24\n");
    if (folder) fprintf(f, "  kind: folder\n  folder: %s-in\n", name);
    fprintf(f, "axis:\n  kind: hand\n  lead_mm: 1\n  marks_per_turn: 100\nlens:\n  f_number: 2.8\n");
    fclose(f);
    snprintf(file, sizeof file, "%s-job.yaml", name);
    f = fopen(small_path(file), "w");
    assert_non_null(f);
    fprintf(f,
            "bench: %s-bench.yaml\nmagnification: 4\nnear_mm: 1\nfar_mm: 2\nslices: 2\nsettle_ms: 50\n"
            "exposure_s: 0.05\n",
            name);
    fclose(f);
    snprintf(file, sizeof file, "%s-in", name);
    if (folder) assert_int_equal(mkdir(small_path(file), 0755), 0);
}

/* The program on a terminal of its own, whose screen goes to NAME.said. */
static void start(int which, bool folder)
{
    const char *name = NAMES[which];
    char file[64], job[600], dir[600], out[700], path[600];
    const char *build = getenv("STADDLE_BUILD");
    write_bench(name, folder);
    snprintf(file, sizeof file, "%s-job.yaml", name);
    snprintf(job, sizeof job, "%s", small_path(file));
    snprintf(dir, sizeof dir, "%s", small_path(name));
    snprintf(out, sizeof out, "%s.said", dir);
    snprintf(path, sizeof path, "%s/staddle", build ? build : "build");
    const int master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    assert_true(master >= 0 && !grantpt(master) && !unlockpt(master));
    runs[which].keyboard = master;
    runs[which].pid = fork();
    if (runs[which].pid) return;
    const int keys = open(ptsname(master), O_RDWR | O_NOCTTY),
              said = open(out, O_WRONLY | O_CREAT | O_TRUNC, 0666);
    dup2(keys, 0);
    dup2(said, 1);
    dup2(said, 2);
    execl(path, "staddle", "run", job, "--stack", dir, (char *)NULL);
    _exit(127);
}

static const char *said(int which)
{
    static char text[16384];
    char out[64];
    snprintf(out, sizeof out, "%s.said", NAMES[which]);
    FILE *f = fopen(small_path(out), "r");
    text[0] = '\0';
    if (!f) return text;
    text[fread(text, 1, sizeof text - 1, f)] = '\0';
    fclose(f);
    return text;
}

static int times(const char *text, const char *what)
{
    int n = 0;
    for (; (text = strstr(text, what)); text++)
        n++;
    return n;
}

/* Until it has said this so often; a minute at most. */
static bool has_said(int which, const char *what, int often)
{
    for (int i = 0; i < 6000; i++, usleep(10000))
        if (times(said(which), what) >= often) return true;
    print_error("%s: %s\n", NAMES[which], said(which));
    return false;
}

static int end_of(int which)
{
    int status = 0;
    for (int i = 0; i < 6000; i++, usleep(10000))
        if (waitpid(runs[which].pid, &status, WNOHANG) == runs[which].pid) {
            close(runs[which].keyboard);
            return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
        }
    kill(runs[which].pid, SIGKILL);
    fail_msg("%s does not end: %s", NAMES[which], said(which));
    return -1;
}

static struct bytes picture(int number)
{
    uint8_t rgb[64 * 48 * 3];
    for (size_t i = 0; i < sizeof rgb; i++)
        rgb[i] = (uint8_t)((i * (size_t)(number + 3)) % 251);
    return jpeg_make(rgb, 64, 48, &(struct jpeg_how){0});
}

/* Half of it, a pause, the rest: with write and close, as any program would. */
static void drop(int which, int number, bool halting)
{
    char file[64];
    struct bytes b = picture(number);
    snprintf(file, sizeof file, "%s-in/p%03d.jpg", NAMES[which], number);
    const int fd = open(small_path(file), O_WRONLY | O_CREAT | O_EXCL, 0644);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, b.p, b.n / 2), (ssize_t)(b.n / 2));
    if (halting) usleep(600000);
    assert_int_equal(write(fd, b.p + b.n / 2, b.n - b.n / 2), (ssize_t)(b.n - b.n / 2));
    close(fd);
    free(b.p);
}

static int set_up(void **state)
{
    (void)state;
    start(FRAMES, true);
    start(KEYS, false);
    start(STOPPED, true);
    start(HALTED, false);
    start(GONE, true);
    return 0;
}

static void frames_that_another_program_writes_make_a_stack(void **state)
{
    (void)state;
    char holder[40];
    assert_true(has_said(FRAMES, "take the frame now", 1));
    struct said r = program("run %s --stack %s-2", small_path("frames-job.yaml"), small_path("frames"));
    snprintf(holder, sizeof holder, "(process %d)", (int)runs[FRAMES].pid);
    assert_int_equal(r.status, 4);
    assert_non_null(strstr(r.err, holder)); /* two runs, one folder */
    said_clear(&r);
    for (int i = 1; i <= SLICES + 1; i++) {
        assert_true(has_said(FRAMES, "take the frame now", i));
        drop(FRAMES, i, i == 2);
    }
    assert_int_equal(end_of(FRAMES), 0);
    small_check_whole(small_path("frames"), true);
    r = shell("cd %s && for i in 1 2 3 4 5 6; do cmp frames-in/p00$i.jpg frames/frames/s000$i.jpg; done && "
              "ls frames-in | wc -l",
              test_folder());
    assert_int_equal(r.status, 0);
    assert_string_equal(r.out, "7\n");
    said_clear(&r);
}

static void enter_on_a_terminal_answers_and_early_ones_do_not(void **state)
{
    (void)state;
    for (int i = 1; i <= SLICES + 1; i++) {
        assert_true(has_said(KEYS, "then press Enter", i));
        usleep(30000);
        assert_int_equal(times(said(KEYS), "then press Enter"), i); /* what was typed too early did nothing */
        assert_int_equal(write(runs[KEYS].keyboard, "\n\n\n", 3), 3);
    }
    assert_int_equal(end_of(KEYS), 0);
    small_check_whole(small_path("keys"), true);
}

static void stop_from_elsewhere_ends_the_wait_for_a_frame(void **state)
{
    (void)state;
    assert_true(has_said(STOPPED, "take the frame now", 1));
    struct said r = program("stop %s", small_path("stopped"));
    assert_int_equal(r.status, 0);
    said_clear(&r);
    assert_int_equal(end_of(STOPPED), 3);
    assert_non_null(strstr(said(STOPPED), "staddle resume"));
}

static void ctrl_c_ends_the_wait_for_a_key(void **state)
{
    (void)state;
    assert_true(has_said(HALTED, "then press Enter", 1));
    assert_int_equal(kill(runs[HALTED].pid, SIGINT), 0);
    assert_int_equal(end_of(HALTED), 3);
    assert_non_null(strstr(said(HALTED), "leave the knob"));
}

static void a_folder_that_is_removed_pauses_the_run(void **state)
{
    (void)state;
    assert_true(has_said(GONE, "take the frame now", 1));
    assert_int_equal(rmdir(small_path("gone-in")), 0);
    assert_int_equal(end_of(GONE), 3);
    assert_non_null(strstr(said(GONE), "the folder that the frames come into is gone"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(frames_that_another_program_writes_make_a_stack),
        cmocka_unit_test(enter_on_a_terminal_answers_and_early_ones_do_not),
        cmocka_unit_test(stop_from_elsewhere_ends_the_wait_for_a_frame),
        cmocka_unit_test(ctrl_c_ends_the_wait_for_a_key),
        cmocka_unit_test(a_folder_that_is_removed_pauses_the_run),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
