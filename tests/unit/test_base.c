#include "tests/support/test.h"

#include <errno.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "base/fs.h"
#include "base/json.h"
#include "base/mem.h"
#include "base/pool.h"
#include "base/sched.h"
#include "base/units.h"

/* --- scheduler --- */

static struct {
    struct sched *sched;
    char order[32];
    int count;
    int64_t at_us[32];
} note;

static void begin_notes(struct sched *s)
{
    memset(&note, 0, sizeof note);
    note.sched = s;
}

static void write_down(void *arg)
{
    note.at_us[note.count] = sched_now_us(note.sched);
    note.order[note.count++] = *(char *)arg;
}

static void calls_run_in_time_order_and_ties_in_the_order_asked(void **state)
{
    (void)state;
    struct sched *s = sched_new_virtual(NULL);
    begin_notes(s);
    sched_at(s, 300, write_down, "d");
    sched_at(s, 100, write_down, "a");
    sched_at(s, 200, write_down, "b");
    sched_at(s, 200, write_down, "c");
    while (sched_step(s, 1000))
        ;
    assert_string_equal(note.order, "abcd");
    assert_int_equal(note.at_us[0], 100);
    assert_int_equal(note.at_us[3], 300);
    assert_int_equal(sched_now_us(s), 1000);
    sched_free(s);
}

static void a_cancelled_call_never_runs(void **state)
{
    (void)state;
    struct sched *s = sched_new_virtual(NULL);
    begin_notes(s);
    sched_id gone = sched_at(s, 5, write_down, "x");
    sched_at(s, 6, write_down, "y");
    sched_cancel(s, gone);
    sched_cancel(s, 9999);
    while (sched_step(s, SCHED_NEVER))
        ;
    assert_string_equal(note.order, "y");
    sched_free(s);
}

static void many_calls_at_random_times_come_sorted(void **state)
{
    (void)state;
    struct sched *s = sched_new_virtual(NULL);
    uint32_t x = 12345;
    int64_t last = 0;
    begin_notes(s);
    for (int i = 0; i < 2000; i++) {
        x = x * 1664525u + 1013904223u;
        sched_at(s, x >> 16, write_down, "z");
    }
    for (int i = 0; i < 2000; i++) {
        note.count = 0;
        assert_true(sched_step(s, SCHED_NEVER));
        assert_true(note.at_us[0] >= last);
        last = note.at_us[0];
    }
    assert_false(sched_step(s, SCHED_NEVER));
    sched_free(s);
}

static void the_virtual_wall_clock_starts_on_a_fixed_evening(void **state)
{
    (void)state;
    struct sched *s = sched_new_virtual(NULL);
    json_t *utc = json_utc(sched_wall_us(s));
    assert_string_equal(json_string_value(utc), "2001-01-01T20:00:00.000Z");
    json_decref(utc);
    sched_free(s);
}

/* What clock_gettime(2) says of CLOCK_MONOTONIC, CLOCK_BOOTTIME and CLOCK_REALTIME. */
static void a_clock_set_back_or_a_sleep_leaves_records_in_order(void **state)
{
    (void)state;
    struct sched *s = sched_new_virtual(NULL);
    sched_step(s, 1000000);
    sched_upset(s, 0, -INT64_C(3600000000));
    assert_int_equal(sched_now_us(s), 1000000);
    assert_int_equal(sched_wall_us(s), SCHED_VIRTUAL_START_US + 1000000);
    assert_int_equal(sched_clock_set_us(s), -INT64_C(3600000000));
    sched_upset(s, 5000000, 0);
    assert_int_equal(sched_now_us(s), 1000000);
    assert_int_equal(sched_slept_us(s), 5000000);
    assert_int_equal(sched_wall_us(s), SCHED_VIRTUAL_START_US + 6000000);
    sched_free(s);
    s = sched_new_real(NULL);
    assert_true(sched_slept_us(s) < 1000000);
    assert_true(llabs(sched_clock_set_us(s)) < 1000000);
    assert_true(llabs(sched_wall_us(s) - (int64_t)time(NULL) * 1000000) < 3000000);
    sched_free(s);
}

static void the_real_clock_keeps_a_deadline_and_sees_a_descriptor(void **state)
{
    (void)state;
    int ends[2];
    assert_int_equal(pipe(ends), 0);
    struct sched *s = sched_new_real(NULL);
    begin_notes(s);
    assert_int_equal(sched_watch(s, ends[0], write_down, "p", NULL), 0);
    assert_false(sched_step(s, sched_now_us(s) + 2000));
    assert_int_equal(write(ends[1], "1", 1), 1);
    assert_true(sched_step(s, sched_now_us(s) + 1000000));
    assert_string_equal(note.order, "p");
    sched_free(s);
    close(ends[0]);
    close(ends[1]);
}

/* --- pool --- */

struct work {
    struct sched *sched;
    int input, output;
    int64_t done_at_us;
};

static void square(void *arg)
{
    struct work *w = arg;
    w->output = w->input * w->input;
}

static void stamp(void *arg)
{
    struct work *w = arg;
    w->done_at_us = sched_now_us(w->sched);
    note.order[note.count++] = (char)('a' + w->input);
}

static void finished_work_shows_at_its_declared_cost_with_any_number_of_workers(void **state)
{
    (void)state;
    for (int threads = 1; threads <= 8; threads *= 2) {
        struct sched *s = sched_new_virtual(NULL);
        struct pool *p = pool_new(s, threads, NULL);
        struct work w[6];
        begin_notes(s);
        for (int i = 0; i < 6; i++) {
            w[i] = (struct work){.sched = s, .input = i};
            assert_int_equal(pool_submit(p, square, stamp, &w[i], 1000 - 100 * i, NULL), 0);
        }
        while (sched_step(s, SCHED_NEVER))
            ;
        for (int i = 0; i < 6; i++) {
            assert_int_equal(w[i].output, i * i);
            assert_int_equal(w[i].done_at_us, 1000 - 100 * i);
        }
        assert_string_equal(note.order, "fedcba");
        assert_int_equal(pool_pending(p), 0);
        pool_free(p);
        sched_free(s);
    }
}

static void a_real_pool_delivers_on_the_waiting_thread(void **state)
{
    (void)state;
    struct sched *s = sched_new_real(NULL);
    struct pool *p = pool_new(s, 1, NULL);
    struct work w[3];
    begin_notes(s);
    for (int i = 0; i < 3; i++) {
        w[i] = (struct work){.sched = s, .input = i};
        assert_int_equal(pool_submit(p, square, stamp, &w[i], 0, NULL), 0);
    }
    while (pool_pending(p) && sched_step(s, sched_now_us(s) + 5000000))
        ;
    assert_string_equal(note.order, "abc");
    assert_int_equal(w[2].output, 4);
    pool_free(p);
    sched_free(s);
}

static void a_pool_closed_with_work_under_way_delivers_nothing_more(void **state)
{
    (void)state;
    struct sched *s = sched_new_virtual(NULL);
    struct pool *p = pool_new(s, 2, NULL);
    struct work w[4];
    begin_notes(s);
    for (int i = 0; i < 4; i++) {
        w[i] = (struct work){.sched = s, .input = i};
        assert_int_equal(pool_submit(p, square, stamp, &w[i], 50, NULL), 0);
    }
    pool_free(p);
    assert_false(sched_step(s, SCHED_NEVER));
    assert_int_equal(note.count, 0);
    sched_free(s);
}

/* --- files --- */

static int fail_in;

static int count_down(int error)
{
    if (fail_in <= 0 || --fail_in > 0) return 0;
    errno = error;
    return 1;
}

static long bad_write(int fd, const void *bytes, size_t count)
{
    if (count_down(ENOSPC)) return -1;
    return write(fd, bytes, count > 3 ? 3 : count); /* short writes are legal */
}

static int bad_sync(int fd)
{
    return count_down(EIO) ? -1 : fsync(fd);
}

static int bad_rename(const char *from, const char *to)
{
    return count_down(EROFS) ? -1 : rename(from, to);
}

static void a_file_is_whole_or_absent_whatever_fails(void **state)
{
    (void)state;
    static const struct fs_ops faulty = {.write = bad_write, .sync = bad_sync, .rename = bad_rename};
    const char *folder = test_folder();
    int failures = 0;
    fs_use(&faulty);
    for (int rc = -1; rc != 0;) {
        struct err why = {0};
        char name[32], path[160];
        snprintf(name, sizeof name, "f%d", failures);
        snprintf(path, sizeof path, "%s/%s", folder, name);
        fail_in = failures + 1;
        rc = fs_put(folder, name, "0123456789", 10, 0444, &why);
        if (fs_exists(path)) {
            uint8_t *bytes = NULL;
            size_t count = 0;
            assert_int_equal(fs_read(path, 100, &bytes, &count, NULL), 0);
            assert_int_equal(count, 10);
            assert_memory_equal(bytes, "0123456789", 10);
            mem_free(bytes);
        }
        if (rc == 0) break;
        assert_int_equal(rc, failures < 4 ? E_FULL : E_IO); /* the writes met ENOSPC */
        assert_non_null(strstr(why.text, folder));
        failures++;
    }
    fs_use(NULL);
    assert_int_equal(failures, 4 + 1 + 1 + 1); /* four short writes, sync, rename, sync of the folder */
}

static void nothing_is_written_over_and_an_original_stays_read_only(void **state)
{
    (void)state;
    struct err why;
    struct stat st, other;
    const char *folder = test_folder();
    char path[160], copy[160];
    snprintf(path, sizeof path, "%s/a", folder);
    snprintf(copy, sizeof copy, "%s/b", folder);
    assert_int_equal(fs_put(folder, "a", "one", 3, 0444, &why), 0);
    assert_int_equal(fs_put(folder, "a", "two", 3, 0444, &why), E_STATE);
    assert_int_equal(stat(path, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0444);
    assert_int_equal(fs_copy(path, copy, 0644, &why), 0);
    assert_int_equal(fs_copy(path, copy, 0644, &why), E_STATE);
    assert_int_equal(stat(copy, &other), 0);
    assert_true(other.st_ino != st.st_ino);
    assert_int_equal(other.st_size, 3);
}

/* --- memory, errors, numbers --- */

static void an_allocation_too_large_or_told_to_fail_says_so(void **state)
{
    (void)state;
    struct err why = {0};
    assert_null(mem_new(SIZE_MAX / 2, 3, &why));
    assert_int_equal(why.code, E_NOMEM);
    mem_fail_at(2);
    void *p = mem_new(1, 8, &why);
    assert_non_null(p);
    assert_null(mem_new(1, 8, &why));
    void *q = mem_new(1, 8, &why);
    assert_non_null(q);
    mem_fail_at(0);
    mem_free(p);
    mem_free(q);
}

static void numbers_leave_with_their_unit_and_never_as_nan(void **state)
{
    (void)state;
    json_t *object = json_object();
    json_object_set_new(object, "spacing_um", json_um(45900));
    json_object_set_new(object, "bad", json_number(NAN));
    json_object_set_new(object, "name", json_text("caf\xe9"));
    char *text = json_dumps(object, JSON_REAL_PRECISION(12) | JSON_COMPACT);
    assert_string_equal(text, "{\"spacing_um\":45.9,\"bad\":null,\"name\":\"caf?\"}");
    free(text);
    json_decref(object);
    assert_int_equal(nm_from_mm(3.4), 3400000);
    assert_int_equal(us_from_s(0.25), 250000);
}

static void each_kind_of_error_has_its_exit_status(void **state)
{
    (void)state;
    assert_int_equal(err_exit_status(E_INPUT), 2);
    assert_int_equal(err_exit_status(E_PAUSED), 3);
    assert_int_equal(err_exit_status(E_STATE), 4);
    assert_int_equal(err_exit_status(E_DAMAGED), 5);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(calls_run_in_time_order_and_ties_in_the_order_asked),
        cmocka_unit_test(a_cancelled_call_never_runs),
        cmocka_unit_test(many_calls_at_random_times_come_sorted),
        cmocka_unit_test(the_virtual_wall_clock_starts_on_a_fixed_evening),
        cmocka_unit_test(a_clock_set_back_or_a_sleep_leaves_records_in_order),
        cmocka_unit_test(the_real_clock_keeps_a_deadline_and_sees_a_descriptor),
        cmocka_unit_test(finished_work_shows_at_its_declared_cost_with_any_number_of_workers),
        cmocka_unit_test(a_real_pool_delivers_on_the_waiting_thread),
        cmocka_unit_test(a_pool_closed_with_work_under_way_delivers_nothing_more),
        cmocka_unit_test(a_file_is_whole_or_absent_whatever_fails),
        cmocka_unit_test(nothing_is_written_over_and_an_original_stays_read_only),
        cmocka_unit_test(an_allocation_too_large_or_told_to_fail_says_so),
        cmocka_unit_test(numbers_leave_with_their_unit_and_never_as_nan),
        cmocka_unit_test(each_kind_of_error_has_its_exit_status),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
