/* README: its commands work as printed, its tables of keys are those of the program, and its first line of
 * set-up gets git and make. Blocks marked <!-- run --> are run, in order, in a folder that holds
 * from-the-camera/ and configs/. */
#include "tests/support/test.h"

#include <ctype.h>
#include <stdbool.h>
#include <sys/stat.h>

#include "tests/support/program.h"
#include "tests/support/slope.h"

static char *text_of(const char *path)
{
    struct said r = shell("cat %s", path);
    assert_int_equal(r.status, 0);
    free(r.err);
    return r.out;
}

static bool starts(const char *text, const char *with)
{
    return !strncmp(text, with, strlen(with));
}

/* Calls `each` for every line of the sh blocks; `run` tells whether the block is marked. */
static int each_command(const char *readme, void (*each)(const char *command, bool run))
{
    bool marked = false, inside = false, run = false;
    int count = 0;
    char line[1024];
    for (const char *p = readme; *p; p += strcspn(p, "\n") + 1) {
        const size_t n = strcspn(p, "\n");
        assert_in_range(n, 0, sizeof line - 1);
        memcpy(line, p, n);
        line[n] = '\0';
        if (!inside && starts(line, "```sh")) {
            inside = true;
            run = marked;
        } else if (inside && starts(line, "```")) {
            inside = marked = false;
        } else if (inside && *line) {
            each(line, run);
            count++;
        } else if (*line) {
            marked = !strcmp(line, "<!-- run -->");
        }
        if (!p[n]) break;
    }
    return count;
}

static int commands_run;

static void run_it(const char *command, bool run)
{
    if (!run) return;
    struct said r = shell("cd %s/desk && %s", test_folder(), command);
    if (r.status || *r.err) print_error("%s: status %d: %s\n", command, r.status, r.err);
    assert_int_equal(r.status, 0);
    assert_string_equal(r.err, "");
    assert_true(strlen(r.out) > 10);
    commands_run++;
    said_clear(&r);
}

static void commands_work_as_printed(void **state)
{
    (void)state;
    const struct slope s = {.frames = 24, .width_px = 480, .height_px = 320, .seed = 3};
    char dir[600];
    struct said r =
        shell("mkdir -p %s/desk/from-the-camera && cp -r configs %s/desk", test_folder(), test_folder());
    assert_int_equal(r.status, 0);
    said_clear(&r);
    snprintf(dir, sizeof dir, "%s/desk/from-the-camera", test_folder());
    slope_write(dir, &s);
    char *readme = text_of("README.md");
    each_command(readme, run_it);
    assert_true(commands_run >= 7);
    free(readme);
    static const char *const left[] = {"evening-1/derived/report.html", "part.html",
                                       "for-merging/manifest.sha256"};
    for (size_t i = 0; i < sizeof left / sizeof *left; i++) {
        r = shell("test -s %s/desk/%s", test_folder(), left[i]);
        assert_int_equal(r.status, 0);
        said_clear(&r);
    }
}

static int others;

/* What is not run here is the installation, or a target of the Makefile (which `make check` runs). */
static void know_it(const char *command, bool run)
{
    if (run) return;
    if (!others++) assert_string_equal(command, "sudo apt-get install git make");
    if (starts(command, "sudo apt-get install ")) return;
    assert_true(starts(command, "make "));
    struct said r = shell("make -n %s", command + 5);
    assert_int_equal(r.status, 0);
    said_clear(&r);
}

static void the_first_line_gets_git_and_make(void **state)
{
    (void)state;
    char *readme = text_of("README.md");
    each_command(readme, know_it);
    assert_true(others >= 2);
    free(readme);
    struct said r = shell("grep -q 'make .*demo' tests/tools/check.sh");
    assert_int_equal(r.status, 0);
    said_clear(&r);
}

/* Both lists, sorted: keys in the first column of the tables, and keys in the tables of src/config. */
static void tables_list_the_keys_of_the_program(void **state)
{
    (void)state;
    struct said readme =
        shell("sed -n '/^### Bench file/,/^## Exit codes/p' README.md | grep '^| *`' | cut -d '|' -f 2 | "
              "grep -o '`[^`]*`' | tr -d '`' | sort");
    struct said config =
        shell("sed -n 's/^ *{\"\\([a-z_.]*\\)\", VALUE_.*/\\1/p' src/config/*_file.c | sort");
    assert_true(strlen(config.out) > 500);
    assert_string_equal(readme.out, config.out);
    said_clear(&readme);
    said_clear(&config);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(commands_work_as_printed),
        cmocka_unit_test(the_first_line_gets_git_and_make),
        cmocka_unit_test(tables_list_the_keys_of_the_program),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
