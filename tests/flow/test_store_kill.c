/* The store as a run uses it, killed at every write, sync, rename and deletion - of frames and of the
 * database. What a call has promised by returning 0 is there afterwards; a call under way is there whole or
 * not at all; and a resume brings every slice to exactly one kept frame whose bytes are those of its
 * checksum. */
#include "tests/support/test.h"

#include <unistd.h>

#include "base/mem.h"
#include "store/hash.h"
#include "store/store.h"
#include "tests/support/db_faults.h"
#include "tests/support/faults.h"
#include "tests/support/shell.h"

#define SLICES 2

/* What the run was told: the last state of each slice's newest exposure that was confirmed. */
struct outcome {
    bool stack, plan;
    bool begun[SLICES], seen[SLICES], kept[SLICES];
    int64_t plan_id;
};

static int make_stack(const char *dir, struct outcome *t, struct store **st, struct err *why)
{
    struct plan_slice slices[SLICES];
    const struct stack_info info = {.name = "short", .simulated = true, .created_wall_us = 1};
    for (int i = 0; i < SLICES; i++)
        slices[i] = (struct plan_slice){i + 1, false, 1000 * i, i};
    const struct plan plan = {.spacing_nm = 1000, .slice_count = SLICES, .slices = slices};
    int rc = store_create(dir, &info, st, why);
    if (rc) return rc;
    t->stack = true;
    rc = store_add_plan(*st, &plan, "", 1, &t->plan_id, why);
    t->plan = !rc;
    return rc;
}

static int shoot(struct store *st, struct outcome *t, int slice, struct err *why)
{
    char name[64], bytes[64];
    struct file_row f;
    struct exposure_row e = {.plan_id = t->plan_id, .slice = slice};
    int rc = store_exposure_begin(st, &e, why);
    if (rc) return rc;
    t->begun[slice - 1] = true;
    rc = store_exposure_seen(st, e.id, "A", 1, why);
    if (rc) return rc;
    t->seen[slice - 1] = true;
    snprintf(bytes, sizeof bytes, "slice %d, try %d", slice, (int)e.attempt);
    rc = store_frame_name(name, sizeof name, &e, "jpg", why);
    if (!rc) rc = store_put_frame(st, name, bytes, strlen(bytes), &f, why);
    if (!rc) rc = store_exposure_kept(st, e.id, &f, 1, why);
    t->kept[slice - 1] = !rc;
    return rc;
}

static int run_it(const char *dir, struct outcome *t, struct err *why)
{
    struct store *st = NULL;
    int rc = make_stack(dir, t, &st, why);
    for (int i = 1; i <= SLICES && !rc; i++)
        rc = shoot(st, t, i, why);
    store_close(st);
    return rc;
}

/* What was promised is there. */
static void check_promises(struct store *st, const struct outcome *t)
{
    struct exposure_row *e;
    int32_t n;
    bool begun[SLICES] = {0}, seen[SLICES] = {0}, kept[SLICES] = {0};
    assert_int_equal(store_exposures(st, &e, &n, NULL), E_OK);
    for (int32_t i = 0; i < n; i++) {
        begun[e[i].slice - 1] = true;
        seen[e[i].slice - 1] = e[i].state != EXPOSURE_FIRING;
        kept[e[i].slice - 1] = e[i].state == EXPOSURE_KEPT;
    }
    mem_free(e);
    for (int i = 0; i < SLICES; i++) {
        assert_true(begun[i] || !t->begun[i]);
        assert_true(seen[i] || !t->seen[i]);
        assert_true(kept[i] || !t->kept[i]);
    }
}

/* As resume does: what was under way is lost, what has no kept frame is shot. */
static void resume(struct store *st, struct outcome *t)
{
    struct exposure_row *e;
    int32_t n;
    bool kept[SLICES] = {0};
    assert_int_equal(store_exposures(st, &e, &n, NULL), E_OK);
    for (int32_t i = 0; i < n; i++) {
        if (e[i].state == EXPOSURE_KEPT) kept[e[i].slice - 1] = true;
        if (e[i].state == EXPOSURE_FIRING || e[i].state == EXPOSURE_SEEN)
            assert_int_equal(store_exposure_end(st, e[i].id, EXPOSURE_LOST, "killed", NULL, 0, NULL), E_OK);
    }
    mem_free(e);
    for (int i = 0; i < SLICES; i++) {
        struct err why = {0};
        const int rc = kept[i] ? E_OK : shoot(st, t, i + 1, &why);
        if (rc) print_error("%s\n", why.text);
        assert_int_equal(rc, E_OK);
    }
}

static void check_frames(struct store *st)
{
    struct frame_row *rows;
    int32_t n;
    assert_int_equal(store_frames(st, &rows, &n, NULL), E_OK);
    assert_int_equal(n, SLICES);
    for (int32_t i = 0; i < n; i++) {
        char path[512], sha256[SHA256_ROOM];
        assert_int_equal(rows[i].slice, i + 1);
        assert_int_equal(rows[i].file_count, 1);
        assert_int_equal(store_frame_path(st, rows[i].files[0].name, path, sizeof path, NULL), E_OK);
        assert_int_equal(sha256_file(path, sha256, NULL, NULL), E_OK);
        assert_string_equal(sha256, rows[i].files[0].sha256);
    }
    mem_free(rows);
}

static void killed_anywhere_a_stack_resumes_to_one_frame_a_slice(void **state)
{
    (void)state;
    long n = 0;
    bool killed = true;
    for (; killed; n++) {
        struct outcome t = {0};
        struct err why = {0};
        char dir[512];
        snprintf(dir, sizeof dir, "%s", in_folder("kill%ld", n));
        faults_dead_from(n + 1);
        const int rc = run_it(dir, &t, &why);
        killed = faults_happened();
        faults_at(0);
        if (!killed) assert_int_equal(rc, E_OK);
        struct store *st = NULL;
        if (access(dir, F_OK)) {
            assert_false(t.stack); /* nothing was promised, nothing is there: start again */
            t = (struct outcome){0};
            assert_int_equal(make_stack(dir, &t, &st, NULL), E_OK);
        } else {
            const int opened = store_open(dir, false, &st, &why);
            if (opened) print_error("killed at %ld: %s\n", n + 1, why.text);
            assert_int_equal(opened, E_OK);
        }
        check_promises(st, &t);
        struct plan_row *plans;
        int32_t count;
        assert_int_equal(store_plans(st, &plans, &count, NULL), E_OK);
        assert_true(count == 1 || (count == 0 && !t.plan)); /* whole or not at all */
        mem_free(plans);
        t.plan_id = 1;
        if (count == 1) {
            resume(st, &t);
            check_frames(st);
        }
        store_close(st);
    }
    printf("measured: killed at each of %ld writes, syncs, renames and deletions of a stack of %d\n", n - 1,
           SLICES);
    assert_true(n > 40);
}

/* One failure, and the disk is well again: the same store goes on. */
static void a_single_failure_is_told_and_the_same_store_goes_on(void **state)
{
    (void)state;
    long n = 0;
    bool failed = true;
    for (; failed; n++) {
        struct outcome t = {0};
        struct err why = {0};
        struct store *st = NULL;
        assert_int_equal(make_stack(in_folder("once%ld", n), &t, &st, &why), E_OK);
        store_close(st);
        faults_at(0);
        assert_int_equal(store_open(in_folder("once%ld", n), false, &st, &why), E_OK);
        faults_at(n + 1);
        int rc = shoot(st, &t, 1, &why);
        failed = faults_happened();
        faults_at(0);
        assert_true(failed ? rc == E_IO || rc == E_FULL : rc == E_OK);
        check_promises(st, &t);
        resume(st, &t);
        check_frames(st);
        store_close(st);
    }
    printf("measured: one failure at each of %ld writes, syncs and renames of one exposure\n", n - 1);
    assert_true(n > 10);
}

/* Durable before dangerous: when begin has returned, the log that holds FIRING has been synced. */
static void each_call_has_synced_the_log_before_it_returns(void **state)
{
    (void)state;
    struct outcome t = {0};
    struct store *st = NULL;
    faults_at(0);
    assert_int_equal(make_stack(in_folder("synced"), &t, &st, NULL), E_OK);
    struct exposure_row e = {.plan_id = t.plan_id, .slice = 1};
    long before = db_faults_log_syncs();
    assert_int_equal(store_exposure_begin(st, &e, NULL), E_OK);
    assert_true(db_faults_log_syncs() > before);
    before = db_faults_log_syncs();
    assert_int_equal(store_exposure_seen(st, e.id, "A", 1, NULL), E_OK);
    assert_true(db_faults_log_syncs() > before);
    struct file_row f;
    assert_int_equal(store_put_frame(st, "s0001.jpg", "x", 1, &f, NULL), E_OK);
    before = db_faults_log_syncs();
    assert_int_equal(store_exposure_kept(st, e.id, &f, 1, NULL), E_OK);
    assert_true(db_faults_log_syncs() > before);
    before = db_faults_log_syncs();
    assert_int_equal(store_exposure_end(st, e.id, EXPOSURE_FAILED, "shaken", NULL, 0, NULL), E_OK);
    assert_true(db_faults_log_syncs() > before);
    store_close(st);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(killed_anywhere_a_stack_resumes_to_one_frame_a_slice),
        cmocka_unit_test(a_single_failure_is_told_and_the_same_store_goes_on),
        cmocka_unit_test(each_call_has_synced_the_log_before_it_returns),
    };
    faults_at(0);
    db_faults_on();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
