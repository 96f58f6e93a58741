/* Two thousand slices in one run: open descriptors and memory stay where they were after the first hundreds.
 * The bound on memory is our choice: the log of the world's shutter and the loop's slots grow by some hundred
 * bytes a slice. */
#include "tests/support/test.h"

#include <dirent.h>
#include <unistd.h>

#include "tests/support/small.h"

#define SLICES  2000
#define WARM    400
#define MORE_KB (24 * 1024)

static struct {
    int fds[2];
    long kb[2];
    int32_t looked;
} seen;

static int count_fds(void)
{
    DIR *d = opendir("/proc/self/fd");
    int n = 0;
    assert_non_null(d);
    while (readdir(d))
        n++;
    closedir(d);
    return n;
}

static long resident_kb(void)
{
    long all, resident = 0;
    FILE *f = fopen("/proc/self/statm", "r");
    assert_non_null(f);
    assert_int_equal(fscanf(f, "%ld %ld", &all, &resident), 2);
    fclose(f);
    return resident * (sysconf(_SC_PAGESIZE) / 1024);
}

static void look(void *arg, const struct run_progress *p)
{
    (void)arg;
    int which = p->kept == WARM ? 0 : p->kept == SLICES ? 1 : -1;
    if (which < 0 || strcmp(p->doing, "kept") != 0 || seen.looked > which) return;
    seen.fds[which] = count_fds();
    seen.kb[which] = resident_kb();
    seen.looked = which + 1;
}

static void two_thousand_slices_take_no_more_than_four_hundred(void **state)
{
    (void)state;
    struct shoot_job job;
    struct run_result r;
    struct err why = {0};
    small_job("flat", &(struct small){.width_px = 32, .height_px = 24, .slices = SLICES, .settle_ms = 100},
              &job);
    struct shoot_opts o = {.dir = small_path("flat"), .virtual_clock = true, .workers = 2, .progress = look};
    int rc = shoot_new(&job, &o, &r, &why);
    if (rc) print_error("%s\n", why.text);
    assert_int_equal(rc, 0);
    assert_int_equal(seen.looked, 2);
    print_message("measured: %d slices: descriptors %d, then %d; memory %ld kB, then %ld kB\n", (int)r.kept,
                  seen.fds[0], seen.fds[1], seen.kb[0], seen.kb[1]);
    assert_int_equal(seen.fds[1], seen.fds[0]);
    assert_true(seen.kb[1] - seen.kb[0] < MORE_KB);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(two_thousand_slices_take_no_more_than_four_hundred)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
