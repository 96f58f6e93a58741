/* evening.txt: one line a stack, the stops against the one before; and the memory of the last job. */
#include "tests/support/test.h"

#include <sys/stat.h>

#include "base/fs.h"
#include "base/mem.h"
#include "store/evening.h"
#include "store/last_job.h"

static char *list(void)
{
    static char copy[4096];
    uint8_t *bytes;
    size_t count;
    char path[300];
    snprintf(path, sizeof path, "%s/" EVENING_FILE, test_folder());
    assert_int_equal(fs_read(path, sizeof copy - 1, &bytes, &count, NULL), 0);
    snprintf(copy, sizeof copy, "%s", (char *)bytes);
    mem_free(bytes);
    return copy;
}

static int lines(void)
{
    int n = 0;
    for (const char *p = list(); *p; p++)
        n += *p == '\n';
    return n;
}

/* 2026-11-25T19:14:03Z, at an hour east of Greenwich: `date -u -d @1795634043` says so. */
static struct evening_line stack(const char *name, double light)
{
    struct evening_line l = {.begun_wall_us = 1795634043000000,
                             .utc_offset_s = 3600,
                             .kept = 41,
                             .slices = 42,
                             .verdict = "every part sharp",
                             .light = light,
                             .job = "ladybird  light show"};
    snprintf(l.stack, sizeof l.stack, "%s", name);
    return l;
}

static double noted(const char *name, double light)
{
    double stops = -99;
    const struct evening_line l = stack(name, light);
    assert_int_equal(evening_note(test_folder(), &l, &stops, NULL), 0);
    return stops;
}

/* A stop is a factor of two in light: the definition of exposure value, ISO 2720. */
static void a_stack_is_compared_with_the_one_before(void **state)
{
    (void)state;
    assert_true(isnan(noted("stack-001", 0.2)));
    assert_near(noted("stack-002", 0.1), -1, 1e-4);
    assert_near(noted("stack-003", 0.4), 2, 1e-4);
    assert_true(isnan(noted("stack-004", 0))); /* no frame, no light */
    assert_true(isnan(noted("stack-005", 0.4)));
    assert_int_equal(lines(), 6);
    assert_non_null(strstr(list(), "\nstack-002  20:14  41 of 42 "));
    assert_non_null(strstr(list(), " -1.00 stops "));
    assert_non_null(strstr(list(), " +2.00 stops "));
}

static void a_stack_that_went_on_replaces_its_line(void **state)
{
    (void)state;
    const int before = lines();
    assert_near(noted("stack-002", 0.2), 0, 1e-4); /* against 001, not against 005 or itself */
    assert_int_equal(lines(), before);
    assert_non_null(strstr(list(), " +0.00 stops "));
    assert_null(strstr(list(), "-0.00"));
    /* stack-01 is not stack-012 */
    noted("stack-0", 0.3);
    assert_int_equal(lines(), before + 1);
}

static void what_a_person_wrote_into_the_list_stays(void **state)
{
    (void)state;
    char path[300];
    snprintf(path, sizeof path, "%s/" EVENING_FILE, test_folder());
    FILE *f = fopen(path, "a");
    fputs("the moth flew off", f); /* and no line feed */
    fclose(f);
    assert_true(isnan(noted("stack-007", 0.3)));
    assert_non_null(strstr(list(), "\nthe moth flew off\nstack-007 "));
}

static void a_list_that_cannot_be_written_is_an_error(void **state)
{
    (void)state;
    const struct evening_line l = stack("stack-001", 1);
    double stops = 5;
    struct err why = {0};
    assert_true(evening_note("/nowhere/at/all", &l, &stops, &why) < 0);
    assert_true(why.text[0] && stops == 5);
}

static void the_last_job_is_remembered(void **state)
{
    (void)state;
    struct last_job l, got;
    bool there = true;
    char path[300];
    snprintf(path, sizeof path, "%s/fresh/deep", test_folder());
    setenv("XDG_STATE_HOME", path, 1);
    assert_int_equal(last_job_read(&got, &there, NULL), 0);
    assert_false(there);
    l = (struct last_job){
        .job = "/a/j.yaml", .folder = "/a", .stack = "/a/2026-11-25/stack-001", .begun_wall_us = 5};
    assert_int_equal(last_job_write(&l, NULL), 0);
    l.begun_wall_us = 6;
    assert_int_equal(last_job_write(&l, NULL), 0);
    assert_int_equal(last_job_read(&got, &there, NULL), 0);
    assert_true(there);
    assert_string_equal(got.job, l.job);
    assert_string_equal(got.folder, l.folder);
    assert_string_equal(got.stack, l.stack);
    assert_int_equal(got.begun_wall_us, 6);
    /* where the specification says that it is */
    snprintf(path, sizeof path, "%s/fresh/deep/staddle/last-job.json", test_folder());
    assert_true(fs_exists(path));
}

static void a_memory_that_cannot_be_read_is_none(void **state)
{
    (void)state;
    static const char *const BAD[] = {"",
                                      "[]",
                                      "{",
                                      "{\"job\": 5}",
                                      "{\"job\": \"relative\", \"folder\": \"/a\"}",
                                      "{\"job\": \"/a\", \"folder\": \"/a\", \"begun_wall_us\": -1}"};
    char path[300];
    snprintf(path, sizeof path, "%s/fresh/deep/staddle/last-job.json", test_folder());
    for (size_t i = 0; i < sizeof BAD / sizeof *BAD; i++) {
        struct last_job got;
        bool there = true;
        FILE *f = fopen(path, "w");
        fputs(BAD[i], f);
        fclose(f);
        assert_int_equal(last_job_read(&got, &there, NULL), 0);
        assert_false(there);
    }
}

/* XDG base directory specification 0.8: a relative path in the variable is to be ignored. */
static void a_relative_state_folder_is_ignored(void **state)
{
    (void)state;
    char home[300], path[400];
    struct last_job l = {.job = "/a/j.yaml", .folder = "/a", .begun_wall_us = 5};
    const char *old = getenv("HOME");
    char kept[300];
    snprintf(kept, sizeof kept, "%s", old ? old : "/");
    snprintf(home, sizeof home, "%s/home", test_folder());
    assert_int_equal(mkdir(home, 0777), 0);
    setenv("HOME", home, 1);
    setenv("XDG_STATE_HOME", "relative", 1);
    assert_int_equal(last_job_write(&l, NULL), 0);
    snprintf(path, sizeof path, "%s/.local/state/staddle/last-job.json", home);
    assert_true(fs_exists(path));
    setenv("HOME", kept, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_stack_is_compared_with_the_one_before),
        cmocka_unit_test(a_stack_that_went_on_replaces_its_line),
        cmocka_unit_test(what_a_person_wrote_into_the_list_stays),
        cmocka_unit_test(a_list_that_cannot_be_written_is_an_error),
        cmocka_unit_test(the_last_job_is_remembered),
        cmocka_unit_test(a_memory_that_cannot_be_read_is_none),
        cmocka_unit_test(a_relative_state_folder_is_ignored),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
