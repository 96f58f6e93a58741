/* The judge: the same verdict whoever measures and with however many threads; kept measures are used, and
 * only those that fit; what is wrong with a frame is said with its name. */
#include "tests/support/test.h"

#include <jansson.h>
#include <stdbool.h>
#include <sys/stat.h>

#include "base/json.h"
#include "report/judge.h"
#include "report/verdict_json.h"
#include "tests/support/program.h"
#include "tests/support/slope.h"

#define FRAMES 20

static char stack_dir[600];

static int set_up(void **state)
{
    (void)state;
    const struct slope s = {.frames = FRAMES, .width_px = 320, .height_px = 240, .seed = 5};
    char dir[600];
    snprintf(dir, sizeof dir, "%s/files", test_folder());
    snprintf(stack_dir, sizeof stack_dir, "%s/stack", test_folder());
    assert_int_equal(mkdir(dir, 0777), 0);
    slope_write(dir, &s);
    struct said r = program("import %s --stack %s --order near-first", dir, stack_dir);
    assert_int_equal(r.status, 0);
    said_clear(&r);
    return 0;
}

static void run_shell(const char *what)
{
    struct said r = shell("cd %s && %s", test_folder(), what);
    if (r.status) print_error("%s: %s\n", what, r.err);
    assert_int_equal(r.status, 0);
    said_clear(&r);
}

static int judge(const char *dir, int threads, char **verdict, int32_t *measured, struct err *why)
{
    struct store *st;
    struct judgement j;
    int rc = store_open(dir, true, &st, why);
    if (rc) return rc;
    rc = judge_stack(st, &(struct judge_opts){.threads = threads}, &j, why);
    if (!rc) {
        json_t *o = json_object();
        assert_int_equal(verdict_to_json(&j.verdict, o, why), 0);
        *verdict = json_dumps(o, JSON_INDENT(1));
        *measured = j.measured_now;
        json_decref(o);
        judgement_clear(&j);
    }
    store_close(st);
    return rc;
}

static void threads_and_kept_measures_change_nothing(void **state)
{
    (void)state;
    static const int threads[] = {1, 2, 8};
    struct err why = {0};
    char *first = NULL, *now;
    int32_t measured;
    for (int i = 0; i < 3; i++) {
        run_shell("rm -rf stack/derived");
        assert_int_equal(judge(stack_dir, threads[i], &now, &measured, &why), 0);
        assert_int_equal(measured, FRAMES);
        if (first) assert_string_equal(now, first);
        if (first) free(now);
        if (!first) first = now;
    }
    assert_int_equal(judge(stack_dir, 0, &now, &measured, &why), 0);
    assert_int_equal(measured, 0);
    assert_string_equal(now, first);
    free(now);
    free(first);
}

/* Only what is missing or damaged is measured, and the verdict is the one from before. */
static void only_missing_measures_are_made_again(void **state)
{
    (void)state;
    struct err why = {0};
    char *before, *after;
    int32_t measured;
    assert_int_equal(judge(stack_dir, 2, &before, &measured, &why), 0);
    run_shell(
        "rm stack/derived/s0007.jpg.cells stack/derived/s0008.jpg.cells stack/derived/s0001.jpg.cells && "
        "printf x >stack/derived/s0015.jpg.cells");
    assert_int_equal(judge(stack_dir, 2, &after, &measured, &why), 0);
    assert_int_equal(measured, 4);
    assert_string_equal(before, after);
    free(before);
    free(after);
}

static void a_folder_that_cannot_be_written_costs_time_only(void **state)
{
    (void)state;
    struct err why = {0};
    char *before, *after;
    int32_t measured;
    assert_int_equal(judge(stack_dir, 2, &before, &measured, &why), 0);
    run_shell("cp -r stack blocked && rm -rf blocked/derived && touch blocked/derived");
    char dir[700];
    snprintf(dir, sizeof dir, "%s/blocked", test_folder());
    for (int i = 0; i < 2; i++) {
        assert_int_equal(judge(dir, 2, &after, &measured, &why), 0);
        assert_int_equal(measured, FRAMES);
        assert_string_equal(before, after);
        free(after);
    }
    free(before);
}

static void a_damaged_frame_is_named(void **state)
{
    (void)state;
    struct err why = {0};
    char *verdict, dir[700];
    int32_t measured;
    run_shell("cp -r stack damaged && rm -rf damaged/derived && chmod u+w damaged/frames/* && "
              "truncate -s 4000 damaged/frames/s0012.jpg && truncate -s 4000 damaged/frames/s0018.jpg");
    snprintf(dir, sizeof dir, "%s/damaged", test_folder());
    for (int threads = 1; threads <= 8; threads *= 2) {
        run_shell("rm -rf damaged/derived");
        assert_int_equal(judge(dir, threads, &verdict, &measured, &why), E_INPUT);
        assert_non_null(strstr(why.text, "s0012.jpg")); /* always the first one in the stack */
    }
    run_shell("rm -f damaged/frames/s0003.jpg");
    assert_int_equal(judge(dir, 2, &verdict, &measured, &why), E_DAMAGED);
    assert_non_null(strstr(why.text, "s0003.jpg"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(threads_and_kept_measures_change_nothing),
        cmocka_unit_test(only_missing_measures_are_made_again),
        cmocka_unit_test(a_folder_that_cannot_be_written_costs_time_only),
        cmocka_unit_test(a_damaged_frame_is_named),
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
