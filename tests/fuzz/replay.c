/* replay.c - the seeds without the search: a test program for one target, named replay_NAME, that gives it
 * each file of tests/fuzz/corpus/NAME once. Seeds that a search found a fault with stay there, named
 * fixed-SYMPTOM. */
#include "tests/support/test.h"

#include <dirent.h>
#include <libgen.h>
#include <unistd.h>

#include "base/fs.h"
#include "base/mem.h"
#include "tests/fuzz/fuzz.h"

#define SEEDS_LEAST 20
#define SEED_MOST   (1 << 20)

static char folder[256];

static int in_order(const void *a, const void *b)
{
    return strcmp(*(char *const *)a, *(char *const *)b);
}

static size_t list(char **names, size_t most)
{
    DIR *d = opendir(folder);
    size_t n = 0;
    assert_non_null(d);
    for (struct dirent *e; (e = readdir(d));)
        if (e->d_name[0] != '.' && n < most) names[n++] = strdup(e->d_name);
    closedir(d);
    qsort(names, n, sizeof *names, in_order);
    return n;
}

static void every_seed_is_survived(void **state)
{
    char *names[1024];
    const size_t n = list(names, sizeof names / sizeof *names);
    (void)state;
    for (size_t i = 0; i < n; i++) {
        char path[512];
        uint8_t *bytes;
        size_t count;
        struct err why = {0};
        snprintf(path, sizeof path, "%s/%s", folder, names[i]);
        if (fs_read(path, SEED_MOST, &bytes, &count, &why)) fail_msg("%s", why.text);
        printf("%s\n", names[i]);
        fflush(stdout); /* the last one printed is the one that broke it */
        assert_int_equal(LLVMFuzzerTestOneInput(bytes, count), 0);
        mem_free(bytes);
        free(names[i]);
    }
    assert_true(n >= SEEDS_LEAST);
}

static void nothing_at_all_is_survived(void **state)
{
    (void)state;
    assert_int_equal(LLVMFuzzerTestOneInput((const uint8_t *)"", 0), 0);
}

int main(int argc, char **argv)
{
    char own[256];
    (void)argc;
    snprintf(own, sizeof own, "%s", argv[0]);
    const char *name = strstr(basename(own), "replay_");
    if (!name) return 2;
    snprintf(folder, sizeof folder, "tests/fuzz/corpus/%s", name + strlen("replay_"));
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_seed_is_survived),
        cmocka_unit_test(nothing_at_all_is_survived),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
