/* The full lists: a short stack killed, paused and halted before each of its events, each device call failing
 * once, each write, sync and rename failing once, each allocation failing once. After every one of them the
 * axis is at rest, the stack is consistent, and resume makes it whole. */
#include "tests/support/test.h"

#include <errno.h>
#include <unistd.h>

#include "base/fs.h"
#include "base/mem.h"
#include "tests/support/sweep.h"

#ifndef STRIDE
#define STRIDE 5
#endif

static struct shoot_job job;

static int set_up(void **state)
{
    (void)state;
    small_job(
        "all",
        &(struct small){.width_px = 32, .height_px = 24, .slices = 2, .depth_mm = 0.1, .settle_ms = 200},
        &job);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    shoot_job_clear(&job);
    return 0;
}

static const char *next_dir(void)
{
    static int turn;
    char name[32];
    snprintf(name, sizeof name, "stack%d", ++turn);
    return small_path(name);
}

static void remove_stack(const char *dir)
{
    char command[700];
    snprintf(command, sizeof command, "chmod -R u+w '%s' && rm -r '%s'", dir, dir);
    assert_int_equal(system(command), 0);
}

/* Until the run ends before the n-th event comes: that was the last one. */
static int64_t at_every_event(enum sweep_how how)
{
    for (int64_t n = 0;; n += STRIDE) {
        struct sweep s = {.job = &job, .dir = next_dir(), .how = how, .at = n};
        sweep_shoot(&s);
        if (s.rc) {
            assert_int_equal(s.rc, E_PAUSED);
            sweep_finish(&s);
        }
        bool last = s.result.events < n;
        run_result_clear(&s.result);
        remove_stack(s.dir);
        if (last) return n;
    }
}

static void killed_before_any_event_it_goes_on(void **state)
{
    (void)state;
    print_message("measured: killed before every %d-th of %d events, all whole after resume\n", STRIDE,
                  (int)at_every_event(SWEEP_KILL));
}

static void paused_before_any_event_it_goes_on(void **state)
{
    (void)state;
    at_every_event(SWEEP_PAUSE);
}

static void halted_before_any_event_it_goes_on(void **state)
{
    (void)state;
    at_every_event(SWEEP_HALT);
}

static void whichever_device_call_fails_it_becomes_whole(void **state)
{
    (void)state;
    long n = 1;
    for (bool failed = true; failed; n += STRIDE) {
        struct sweep s = {
            .job = &job, .dir = next_dir(), .faults = {.fail_at = n, .code = n & 1 ? E_IO : E_TIMEOUT}};
        sweep_shoot(&s);
        failed = s.faults.failed != NULL;
        if (s.rc) sweep_finish(&s);
        run_result_clear(&s.result);
        remove_stack(s.dir);
    }
    print_message("measured: every %d-th of %ld device calls failed once, all whole in the end\n", STRIDE,
                  n - 1);
}

/* ---- the disk */

static long disk_calls, disk_fail_at;

static bool disk_fails(void)
{
    if (++disk_calls != disk_fail_at) return false;
    errno = ENOSPC;
    return true;
}

static long bad_write(int fd, const void *bytes, size_t count)
{
    return disk_fails() ? -1 : write(fd, bytes, count);
}

static int bad_sync(int fd)
{
    return disk_fails() ? -1 : fsync(fd);
}

static int bad_rename(const char *from, const char *to)
{
    return disk_fails() ? -1 : rename(from, to);
}

static void whichever_write_sync_or_rename_fails_it_becomes_whole(void **state)
{
    (void)state;
    static const struct fs_ops bad = {.write = bad_write, .sync = bad_sync, .rename = bad_rename};
    long n = 1;
    for (bool failed = true; failed; n += (STRIDE + 1) / 2) {
        struct sweep s = {.job = &job, .dir = next_dir()};
        disk_calls = 0;
        disk_fail_at = n;
        fs_use(&bad);
        sweep_try(&s);
        fs_use(NULL);
        failed = disk_calls >= n;
        if (s.begun && s.rc) sweep_finish(&s);
        run_result_clear(&s.result);
        if (fs_exists(s.dir)) remove_stack(s.dir);
    }
    print_message(
        "measured: every %d-th of %ld writes, syncs and renames failed once, all whole in the end\n",
        (STRIDE + 1) / 2, n - 1);
    assert_true(n > 20);
}

static void whichever_allocation_fails_it_becomes_whole(void **state)
{
    (void)state;
    long n = 1;
    for (bool failed = true; failed; n += 2 * STRIDE - 1 + n / 100) {
        struct sweep s = {.job = &job, .dir = next_dir()};
        mem_fail_at(n);
        sweep_try(&s);
        failed = mem_fail_left() <= 0;
        mem_fail_at(0);
        if (s.begun && s.rc) sweep_finish(&s);
        run_result_clear(&s.result);
        if (fs_exists(s.dir)) remove_stack(s.dir);
    }
    print_message("measured: allocations failed up to number %ld\n", n);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(killed_before_any_event_it_goes_on),
        cmocka_unit_test(paused_before_any_event_it_goes_on),
        cmocka_unit_test(halted_before_any_event_it_goes_on),
        cmocka_unit_test(whichever_device_call_fails_it_becomes_whole),
        cmocka_unit_test(whichever_write_sync_or_rename_fails_it_becomes_whole),
        cmocka_unit_test(whichever_allocation_fails_it_becomes_whole),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
