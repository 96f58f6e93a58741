/* Ctrl-C and its kin as a person presses them: a real process on the real clock, with a tiny fast job. */
#include "tests/support/test.h"

#include <fcntl.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tests/support/program.h"
#include "tests/support/small.h"

static const char *program_path(void)
{
    static char path[512];
    const char *build = getenv("STADDLE_BUILD");
    snprintf(path, sizeof path, "%s/staddle", build ? build : "build");
    return path;
}

static pid_t start(const char *verb, const char *what, const char *dir, const char *tail)
{
    char out[600];
    snprintf(out, sizeof out, "%s.%s", dir, tail);
    pid_t pid = fork();
    if (pid) return pid;
    int fd = open(out, O_WRONLY | O_CREAT | O_TRUNC, 0666);
    dup2(fd, 1);
    dup2(fd, 2);
    if (!strcmp(verb, "resume"))
        execl(program_path(), "staddle", verb, what, (char *)NULL);
    else
        execl(program_path(), "staddle", verb, what, "--stack", dir, (char *)NULL);
    _exit(127);
}

static int end_of(pid_t pid)
{
    int status;
    assert_int_equal(waitpid(pid, &status, 0), pid);
    assert_true(WIFEXITED(status));
    return WEXITSTATUS(status);
}

static char *said(const char *dir, const char *tail)
{
    static char text[8192];
    char out[600];
    snprintf(out, sizeof out, "%s.%s", dir, tail);
    FILE *f = fopen(out, "r");
    assert_non_null(f);
    text[fread(text, 1, sizeof text - 1, f)] = '\0';
    fclose(f);
    return text;
}

enum { ONCE, TWICE, POLITE, KILLED, HUNG_UP, CTRL_Z, ASKED, ASKED_STOP, ASKED_NOW, CASES };
static const struct {
    const char *name;
    int signal, presses;
} cases[CASES] = {{"once", SIGINT, 1},    {"twice", SIGINT, 2},   {"polite", SIGTERM, 1},
                  {"killed", SIGKILL, 1}, {"hung-up", SIGHUP, 1}, {"ctrl-z", SIGTSTP, 1},
                  {"asked", 0, 0},        {"asked-stop", 0, 0},   {"asked-now", 0, 0}};
static pid_t pids[CASES];

static bool has_frame(int which, const char *name)
{
    char path[600];
    snprintf(path, sizeof path, "%s/frames/%s", small_path(cases[which].name), name);
    return !access(path, F_OK);
}

/* A pause that is asked for twice is still one; meanwhile status tells. The run may be over by now. */
static void ask_again(const char *dir)
{
    struct said s = program("status %s", dir);
    if (strstr(s.out, "is shooting it")) assert_non_null(strstr(s.out, "it was asked to end"));
    said_clear(&s);
    s = program("pause %s", dir);
    assert_true(s.status == 0 || s.status == 4);
    said_clear(&s);
}

/* Another program looks, may not go on with the stack in use, and asks for the end. */
static void ask(int which)
{
    const char *dir = small_path(cases[which].name);
    char holder[64];
    struct said s = program("status %s", dir);
    snprintf(holder, sizeof holder, "process %ld is shooting it", (long)pids[which]);
    assert_non_null(strstr(s.out, holder));
    said_clear(&s);
    s = program("resume %s", dir);
    snprintf(holder, sizeof holder, "staddle (process %ld)", (long)pids[which]);
    assert_int_equal(s.status, 4);
    assert_non_null(strstr(s.err, holder));
    said_clear(&s);
    s = program("%s %s", which == ASKED_NOW ? "stop --now" : which == ASKED_STOP ? "stop" : "pause", dir);
    assert_int_equal(s.status, 0);
    said_clear(&s);
    if (which == ASKED) ask_again(dir);
}

static void begin(int which)
{
    /* who is asked by several other programs, one after the other, is not over before the last of them comes
     */
    struct small tiny = {.width_px = 64,
                         .height_px = 48,
                         .slices = 4,
                         .depth_mm = 0.2,
                         .settle_ms = which >= ASKED ? 700 : 50,
                         .exposure_s = 0.05};
    struct shoot_job job;
    char file[64];
    small_job(cases[which].name, &tiny, &job);
    shoot_job_clear(&job);
    snprintf(file, sizeof file, "%s-job.yaml", cases[which].name);
    pids[which] = start("run", small_path(file), small_path(cases[which].name), "run");
}

static void press(int which)
{
    for (int k = 0; k < cases[which].presses; k++) {
        assert_int_equal(kill(pids[which], cases[which].signal), 0);
        usleep(20000);
    }
}

/* All at once, since each needs real seconds: the keys are pressed and the questions asked when two slices
 * are there, whichever run has them first. A minute at most for all. */
static int set_up(void **state)
{
    (void)state;
    bool over[CASES] = {false};
    for (int i = 0; i < CASES; i++)
        begin(i);
    for (int looks = 0, left = CASES; left && looks < 6000; looks++, usleep(10000))
        for (int i = 0; i < CASES; i++) {
            if (over[i] || !has_frame(i, "s0002.jpg")) continue;
            if (i >= ASKED) ask(i);
            press(i);
            over[i] = true;
            left--;
        }
    return 0;
}

static void paused(int which, const char *ended)
{
    struct small_counts n;
    const char *dir = small_path(cases[which].name);
    assert_int_equal(end_of(pids[which]), 3);
    assert_non_null(strstr(said(dir, "run"), ended));
    assert_non_null(strstr(said(dir, "run"), "staddle resume"));
    small_count(dir, &n);
    assert_int_equal(n.firing + n.seen + n.doubtful, 0);
    if (strstr(ended, "paused")) assert_int_equal(n.lost + n.failed, 0);
    assert_true(n.kept >= 1 && n.kept < n.slices);
}

static void a_hang_up_is_a_pause(void **state)
{
    (void)state;
    paused(HUNG_UP, "paused by hand");
}

static void ctrl_z_halts_before_anything_else(void **state)
{
    (void)state;
    paused(CTRL_Z, "halted by hand");
}

static void pause_and_stop_finish_the_slice_and_stop_now_halts(void **state)
{
    (void)state;
    paused(ASKED, "paused by hand");
    paused(ASKED_STOP, "paused by hand");
    paused(ASKED_NOW, "halted by hand");
    struct said s = program("stop %s", small_path("asked"));
    assert_int_equal(s.status, 4);
    assert_non_null(strstr(s.err, "no run is under way"));
    said_clear(&s);
}

static void ctrl_c_finishes_the_slice_and_says_how_to_go_on(void **state)
{
    (void)state;
    paused(ONCE, "paused by hand");
}

static void ctrl_c_twice_halts_now(void **state)
{
    (void)state;
    paused(TWICE, "halted by hand");
}

static void a_polite_kill_is_a_pause(void **state)
{
    (void)state;
    paused(POLITE, "paused by hand");
}

static void a_killed_program_leaves_a_consistent_stack(void **state)
{
    (void)state;
    int status;
    assert_int_equal(waitpid(pids[KILLED], &status, 0), pids[KILLED]);
    assert_true(WIFSIGNALED(status));
    small_check_consistent(small_path("killed"));
}

static void each_of_them_goes_on_to_a_whole_stack(void **state)
{
    (void)state;
    for (int i = 0; i < CASES; i++) {
        const char *dir = small_path(cases[i].name);
        pids[i] = start("resume", dir, dir, "resume");
    }
    for (int i = 0; i < CASES; i++) {
        assert_int_equal(end_of(pids[i]), 0);
        small_check_whole(small_path(cases[i].name), true);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(ctrl_c_finishes_the_slice_and_says_how_to_go_on),
        cmocka_unit_test(ctrl_c_twice_halts_now),
        cmocka_unit_test(a_polite_kill_is_a_pause),
        cmocka_unit_test(a_hang_up_is_a_pause),
        cmocka_unit_test(ctrl_z_halts_before_anything_else),
        cmocka_unit_test(pause_and_stop_finish_the_slice_and_stop_now_halts),
        cmocka_unit_test(a_killed_program_leaves_a_consistent_stack),
        cmocka_unit_test(each_of_them_goes_on_to_a_whole_stack),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
