/* The stack folder and the life of an exposure. What must hold is told by the drawing in store.h. */
#include "tests/support/test.h"

#include <sqlite3.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/fs.h"
#include "base/mem.h"
#include "store/db.h"
#include "store/folder.h"
#include "store/hash.h"
#include "store/words.h"
#include "tests/support/shell.h"
#include "tests/support/small_stack.h"

/* --- the life of an exposure --- */

/* Brings a new exposure of that slice into a state by legal arrows. */
static struct exposure_row exposure_in(struct store *st, int64_t plan_id, int32_t slice,
                                       enum exposure_state state)
{
    struct exposure_row e = wish(plan_id, slice);
    assert_int_equal(store_exposure_begin(st, &e, NULL), E_OK);
    assert_int_equal(e.state, EXPOSURE_FIRING);
    if (state == EXPOSURE_FIRING) return e;
    if (state != EXPOSURE_SEEN && state != EXPOSURE_KEPT) {
        assert_int_equal(store_exposure_end(st, e.id, state, "by test", NULL, 0, NULL), E_OK);
        return e;
    }
    assert_int_equal(store_exposure_seen(st, e.id, "A", 1, NULL), E_OK);
    if (state == EXPOSURE_SEEN) return e;
    const struct file_row f = put_file(st, &e, "jpg");
    assert_int_equal(store_exposure_kept(st, e.id, &f, 1, NULL), E_OK);
    return e;
}

static int try_arrow(struct store *st, const struct exposure_row *e, enum exposure_state to)
{
    if (to == EXPOSURE_SEEN) return store_exposure_seen(st, e->id, "A", 1, NULL);
    if (to != EXPOSURE_KEPT) return store_exposure_end(st, e->id, to, "by test", NULL, 0, NULL);
    const struct file_row f = put_file(st, e, "dng");
    return store_exposure_kept(st, e->id, &f, 1, NULL);
}

static enum exposure_state state_now(struct store *st, int64_t id)
{
    struct exposure_row *rows;
    int32_t n;
    assert_int_equal(store_exposures(st, &rows, &n, NULL), E_OK);
    enum exposure_state s = rows[id - 1].state;
    mem_free(rows);
    return s;
}

static void an_exposure_goes_only_along_the_arrows(void **state)
{
    (void)state;
    /* rows and columns: firing seen kept lost doubtful failed; the drawing in store.h, read by hand */
    static const char *const arrows[6] = {
        "-+-+++", /* firing */
        "--++++", /* seen */
        "-----+", /* kept */
        "------", /* lost */
        "-+-+--", /* doubtful */
        "------", /* failed */
    };
    for (int from = 0; from < 6; from++)
        for (int to = 0; to < 6; to++) {
            char name[32];
            int64_t plan_id;
            snprintf(name, sizeof name, "arrow%d%d", from, to);
            struct store *st = planned(name, &plan_id);
            const struct exposure_row e = exposure_in(st, plan_id, 2, (enum exposure_state)from);
            const bool went = try_arrow(st, &e, (enum exposure_state)to) == E_OK;
            if (went != (arrows[from][to] == '+'))
                print_error("%s -> %s\n", word_of(WORD_STATE, from), word_of(WORD_STATE, to));
            assert_int_equal(went, arrows[from][to] == '+');
            assert_int_equal(state_now(st, e.id), went ? to : from);
            store_close(st);
        }
}

static void a_slice_under_way_or_kept_is_not_fired_again(void **state)
{
    (void)state;
    static const bool may[6] = {[EXPOSURE_LOST] = true, [EXPOSURE_FAILED] = true};
    for (int s = 0; s < 6; s++) {
        char name[32];
        int64_t plan_id;
        snprintf(name, sizeof name, "again%d", s);
        struct store *st = planned(name, &plan_id);
        exposure_in(st, plan_id, 3, (enum exposure_state)s);
        struct exposure_row e = wish(plan_id, 3);
        struct err why = {0};
        assert_int_equal(store_exposure_begin(st, &e, &why), may[s] ? E_OK : E_STATE);
        assert_int_equal(e.attempt, may[s] ? 2 : 0);
        struct exposure_row other = wish(plan_id, 4);
        assert_int_equal(store_exposure_begin(st, &other, &why), E_OK);
        assert_int_equal(other.attempt, 1);
        store_close(st);
    }
}

/* Past the functions, straight into the tables: the database holds the line by itself. */
static void the_database_refuses_a_second_kept_frame(void **state)
{
    (void)state;
    int64_t plan_id;
    sqlite3 *db;
    struct store *st = planned("second", &plan_id);
    keep(st, plan_id, 2);
    store_close(st);
    assert_int_equal(db_open(in_folder("second"), false, false, &db, NULL), E_OK);
    static const char other[] = "INSERT INTO exposure (purpose, plan, slice, bracket, try, state, reason) "
                                "VALUES ('stack', 1, 2, %d, 2, 'kept', '')";
    char sql[200];
    snprintf(sql, sizeof sql, other, 0);
    assert_int_equal(db_script(db, sql, NULL), E_STATE);
    snprintf(sql, sizeof sql, other, 1); /* another bracket is another frame */
    assert_int_equal(db_script(db, sql, NULL), E_OK);
    assert_int_equal(db_script(db, "UPDATE exposure SET slice = 99 WHERE id = 1", NULL), E_STATE);
    assert_int_equal(db_script(db, "UPDATE exposure SET state = 'gone' WHERE id = 1", NULL), E_STATE);
    sqlite3_close(db);
}

static void a_kept_exposure_has_its_files_in_the_folder_first(void **state)
{
    (void)state;
    int64_t plan_id;
    struct err why = {0};
    struct store *st = planned("first", &plan_id);
    const struct exposure_row e = exposure_in(st, plan_id, 1, EXPOSURE_SEEN);
    struct file_row f = {
        .name = "s0001.jpg", .bytes = 3, .captured_wall_us = STACK_NONE, .exposure_us = STACK_NONE};
    sha256_bytes("abc", 3, f.sha256);
    assert_int_equal(store_exposure_kept(st, e.id, &f, 1, &why), E_STATE);
    assert_int_equal(store_exposure_kept(st, e.id, &f, 0, &why), E_INPUT);
    assert_int_equal(state_now(st, e.id), EXPOSURE_SEEN);
    f = put_file(st, &e, "jpg");
    assert_int_equal(store_exposure_kept(st, e.id, &f, 1, &why), E_OK);
    struct stat info;
    char path[512];
    assert_int_equal(store_frame_path(st, f.name, path, sizeof path, &why), E_OK);
    assert_int_equal(stat(path, &info), 0);
    assert_int_equal(info.st_mode & 0777, 0444);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(store_frame_path(st, f.name, path, sizeof path, &why), E_DAMAGED);
    store_close(st);
}

static void a_misfire_keeps_its_files_and_the_retake_is_the_frame(void **state)
{
    (void)state;
    int64_t plan_id;
    struct store *st = planned("retake", &plan_id);
    keep(st, plan_id, 1);
    struct exposure_row dark = exposure_in(st, plan_id, 2, EXPOSURE_SEEN);
    const struct file_row f = put_file(st, &dark, "jpg");
    assert_int_equal(store_exposure_end(st, dark.id, EXPOSURE_FAILED, "dark", &f, 1, NULL), E_OK);
    keep(st, plan_id, 3);
    const int64_t good = keep(st, plan_id, 2); /* shot last, belongs in between */
    struct frame_row *rows;
    struct file_row *files;
    int32_t n;
    assert_int_equal(store_frames(st, &rows, &n, NULL), E_OK);
    assert_int_equal(n, 3);
    assert_int_equal(rows[1].slice, 2);
    assert_int_equal(rows[1].exposure_id, good);
    assert_int_equal(rows[1].attempt, 2);
    assert_string_equal(rows[1].files[0].name, "s0002_t2.jpg");
    assert_true(rows[0].margin && !rows[1].margin);
    assert_true(rows[2].target_nm == 2000 && rows[2].exposure_us == 250000);
    mem_free(rows);
    assert_int_equal(store_files(st, dark.id, &files, &n, NULL), E_OK);
    assert_int_equal(n, 1);
    assert_string_equal(files[0].name, "s0002.jpg");
    mem_free(files);
    store_close(st);
}

/* --- the folder --- */

static void what_goes_in_comes_out(void **state)
{
    (void)state;
    int64_t plan_id;
    struct err why = {0};
    struct store *st = planned("round", &plan_id);
    keep(st, plan_id, 1);
    assert_int_equal(store_add_event(st, WALL + 5, "paused", "by wish", NULL, &why), E_OK);
    assert_int_equal(store_add_choice(st, 1, false, WALL + 6, &why), E_OK);
    assert_int_equal(store_add_choice(st, 99, false, WALL + 6, &why), E_STATE);
    store_close(st);
    assert_int_equal(store_open(in_folder("round"), true, &st, &why), E_OK);
    struct stack_info info;
    assert_int_equal(store_info(st, &info, &why), E_OK);
    assert_true(info.kind == STACK_PLANNED && info.simulated && info.seed == UINT64_MAX - 6);
    assert_string_equal(info.name, "clock movement");
    assert_string_equal(info.job_text, "slices: 5\n");
    stack_info_clear(&info);
    struct plan_row *plans;
    struct slice_row *slices;
    struct exposure_row *e;
    struct event_row *events;
    struct choice_row *choices;
    int32_t n;
    assert_int_equal(store_plans(st, &plans, &n, &why), E_OK);
    assert_true(n == 1 && plans[0].source == PLAN_PLANNED && plans[0].spacing_nm == 1000);
    assert_near(plans[0].scale_change, 0.07, 0);
    assert_string_equal(plans[0].reason, "as planned");
    assert_int_equal(store_slices(st, plan_id, &slices, &n, &why), E_OK);
    assert_true(n == SLICES && slices[3].target_nm == 3000 && slices[3].target_counts == 48 &&
                slices[4].margin);
    assert_int_equal(store_exposures(st, &e, &n, &why), E_OK);
    assert_true(n == 1 && e[0].nonce == 7 && e[0].camera_epoch == 1 && e[0].object_bytes == 1234);
    assert_true(e[0].settle_us == 1000000 && e[0].triggered_at_us == WALL + 1 && e[0].reached_counts == 16);
    assert_string_equal(e[0].object_name, "IMG_0001.JPG");
    assert_int_equal(store_events(st, &events, &n, &why), E_OK);
    assert_true(n == 1 && events[0].at_wall_us == WALL + 5);
    assert_string_equal(events[0].text, "by wish");
    assert_int_equal(store_choices(st, &choices, &n, &why), E_OK);
    assert_true(n == 1 && choices[0].file_id == 1 && !choices[0].keep);
    assert_int_equal(store_add_event(st, 0, "a", "b", "c", &why), E_STATE);
    mem_free(plans);
    mem_free(slices);
    mem_free(e);
    mem_free(events);
    mem_free(choices);
    store_close(st);
}

static void an_existing_folder_is_left_alone(void **state)
{
    (void)state;
    int64_t plan_id;
    struct store *st = planned("there", &plan_id), *other = NULL;
    struct err why = {0};
    store_close(st);
    const struct stack_info info = {.name = "x"};
    assert_int_equal(store_create(in_folder("there"), &info, &other, &why), E_INPUT);
    assert_non_null(strstr(why.text, "exists already"));
    assert_int_equal(store_create(in_folder("no/such/parent"), &info, &other, &why), E_INPUT);
    assert_int_equal(store_open(in_folder("nowhere"), true, &other, &why), E_INPUT);
    assert_int_equal(store_open(test_folder(), true, &other, &why), E_INPUT);
    assert_null(other);
}

static void one_process_writes_and_others_read(void **state)
{
    (void)state;
    int64_t plan_id;
    struct err why = {0};
    struct store *st = planned("shared", &plan_id), *second = NULL, *reader = NULL;
    assert_int_equal(store_open(in_folder("shared"), false, &second, &why), E_STATE);
    assert_int_equal(store_open(in_folder("shared"), true, &reader, &why), E_OK);
    keep(st, plan_id, 1);
    struct frame_row *rows;
    int32_t n;
    assert_int_equal(store_frames(reader, &rows, &n, &why), E_OK);
    assert_int_equal(n, 1);
    mem_free(rows);
    store_close(reader);
    store_close(st);
}

static void names_that_lead_elsewhere_are_refused(void **state)
{
    (void)state;
    static const char *const bad[] = {"", ".", "..", "../x", "a/b", "/etc/x", ".hidden", "a\nb", "a\x7f"};
    int64_t plan_id;
    struct store *st = planned("names", &plan_id);
    struct file_row f;
    char path[512];
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++) {
        assert_false(folder_name_ok(bad[i]));
        assert_int_equal(store_put_frame(st, bad[i], "x", 1, &f, NULL), E_INPUT);
        assert_int_equal(store_derived_put(st, bad[i], "x", 1, NULL), E_INPUT);
        assert_int_equal(store_frame_path(st, bad[i], path, sizeof path, NULL), E_DAMAGED);
    }
    assert_true(folder_name_ok("s0001 \xc3\xa9t\xc3\xa9.jpg"));
    assert_int_equal(symlink("/etc/hostname", in_folder("names/frames/s0001.jpg")), 0);
    assert_int_equal(store_frame_path(st, "s0001.jpg", path, sizeof path, NULL), E_DAMAGED);
    store_close(st);
}

static void the_cache_may_vanish_and_is_replaced(void **state)
{
    (void)state;
    int64_t plan_id;
    uint8_t *bytes;
    size_t n;
    struct store *st = planned("cache", &plan_id);
    assert_int_equal(store_derived_get(st, "cells", &bytes, &n, NULL), E_INPUT);
    assert_int_equal(store_derived_put(st, "cells", "one", 3, NULL), E_OK);
    assert_int_equal(store_derived_put(st, "cells", "three", 5, NULL), E_OK);
    assert_int_equal(store_derived_get(st, "cells", &bytes, &n, NULL), E_OK);
    assert_int_equal(n, 5);
    assert_memory_equal(bytes, "three", 5);
    mem_free(bytes);
    assert_int_equal(unlink(in_folder("cache/derived/cells")), 0);
    assert_int_equal(rmdir(in_folder("cache/derived")), 0);
    assert_int_equal(store_derived_put(st, "cells", "again", 5, NULL), E_OK);
    store_close(st);
}

/* --- equal runs --- */

static void equal_runs_dump_equal_lines_in_any_folder(void **state)
{
    (void)state;
    uint8_t *text[2];
    size_t size[2];
    static const char *const name[2] = {"equal-a", "elsewhere"};
    for (int i = 0; i < 2; i++) {
        int64_t plan_id;
        char path[512];
        struct store *st = planned(name[i], &plan_id);
        for (int s = 1; s <= SLICES; s++)
            keep(st, plan_id, s);
        snprintf(path, sizeof path, "%s.dump", in_folder("%s", name[i]));
        FILE *f = fopen(path, "w");
        assert_int_equal(store_dump(st, f, NULL), E_OK);
        fclose(f);
        store_close(st);
        assert_int_equal(fs_read(path, 1 << 20, (uint8_t **)&text[i], &size[i], NULL), E_OK);
    }
    assert_int_equal(size[0], size[1]);
    assert_memory_equal(text[0], text[1], size[0]);
    assert_null(strstr((char *)text[0], test_folder()));
    mem_free(text[0]);
    mem_free(text[1]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_exposure_goes_only_along_the_arrows),
        cmocka_unit_test(a_slice_under_way_or_kept_is_not_fired_again),
        cmocka_unit_test(the_database_refuses_a_second_kept_frame),
        cmocka_unit_test(a_kept_exposure_has_its_files_in_the_folder_first),
        cmocka_unit_test(a_misfire_keeps_its_files_and_the_retake_is_the_frame),
        cmocka_unit_test(what_goes_in_comes_out),
        cmocka_unit_test(an_existing_folder_is_left_alone),
        cmocka_unit_test(one_process_writes_and_others_read),
        cmocka_unit_test(names_that_lead_elsewhere_are_refused),
        cmocka_unit_test(the_cache_may_vanish_and_is_replaced),
        cmocka_unit_test(equal_runs_dump_equal_lines_in_any_folder),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
