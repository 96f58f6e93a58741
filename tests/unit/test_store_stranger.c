/* A stack folder that somebody else gives one: nothing in it leads out of it, nothing in it is run, and what
 * is older or newer than this program is neither lost nor changed. */
#include "tests/support/test.h"

#include <sqlite3.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/fs.h"
#include "base/mem.h"
#include "store/db.h"
#include "store/inner.h"
#include "store/schema.h"
#include "tests/support/shell.h"
#include "tests/support/small_stack.h"

static void stack(const char *name)
{
    int64_t plan;
    struct store *st = planned(name, &plan);
    keep(st, plan, 1);
    store_close(st);
}

static void sql(const char *name, const char *text)
{
    sqlite3 *db;
    assert_int_equal(sqlite3_open(in_folder("%s/stack.db", name), &db), SQLITE_OK);
    if (sqlite3_exec(db, text, NULL, NULL, NULL)) fail_msg("%s: %s", text, sqlite3_errmsg(db));
    sqlite3_close(db);
}

static int opened(const char *name, bool readonly, struct err *why)
{
    struct store *st = NULL;
    const int rc = store_open(in_folder("%s", name), readonly, &st, why);
    store_close(st);
    return rc;
}

/* --- links --- */

static const char precious[] = "not part of any stack\n";

static void victim(void)
{
    assert_int_equal(in_shell("rm -f victim; printf 'not part of any stack\\n' >victim"), 0);
}

static void victim_is_whole(void)
{
    uint8_t *bytes;
    size_t count;
    assert_int_equal(fs_read(in_folder("victim"), 1 << 20, &bytes, &count, NULL), E_OK);
    assert_int_equal(count, sizeof precious - 1);
    assert_memory_equal(bytes, precious, count);
    mem_free(bytes);
}

/* Each of the files that SQLite would write beside the database, as a link to a file elsewhere; in both of
 * its ways of writing. */
static void no_file_beside_the_database_leads_out_of_the_folder(void **state)
{
    static const char *const endings[] = {"-wal", "-shm", "-journal"};
    static const char *const modes[] = {"PRAGMA journal_mode = WAL", "PRAGMA journal_mode = DELETE"};
    (void)state;
    stack("beside");
    for (int mode = 0; mode < 2; mode++)
        for (int i = 0; i < 3; i++) {
            struct err why = {0};
            sql("beside", modes[mode]);
            victim();
            assert_int_equal(
                in_shell("rm -f beside/stack.db-*; ln -s ../victim beside/stack.db%s", endings[i]), 0);
            assert_int_equal(opened("beside", false, &why), E_DAMAGED);
            assert_non_null(strstr(why.text, endings[i]));
            assert_int_equal(opened("beside", true, &why), E_DAMAGED);
            victim_is_whole();
            assert_int_equal(in_shell("rm -f beside/stack.db-*"), 0);
        }
    assert_int_equal(opened("beside", false, NULL), E_OK);
}

static void a_linked_database_or_frames_folder_is_refused(void **state)
{
    struct err why = {0};
    (void)state;
    stack("linked");
    assert_int_equal(
        in_shell(
            "mkdir elsewhere; mv linked/stack.db elsewhere; ln -s ../elsewhere/stack.db linked/stack.db"),
        0);
    assert_int_equal(opened("linked", true, &why), E_DAMAGED);
    assert_int_equal(opened("linked", false, &why), E_DAMAGED);
    assert_int_equal(in_shell("rm linked/stack.db; mv elsewhere/stack.db linked; mv linked/frames elsewhere; "
                              "ln -s ../elsewhere/frames linked/frames"),
                     0);
    assert_int_equal(opened("linked", true, &why), E_DAMAGED);
    assert_int_equal(opened("linked", false, &why), E_DAMAGED);
}

/* A frame that is a link, a folder or a pipe (which would be waited for without end) is no frame. */
static void a_frame_that_is_no_ordinary_file_is_not_read(void **state)
{
    static const char *const plants[] = {"ln -s ../../victim", "ln -s s0002.jpg", "mkdir", "mkfifo"};
    char path[512];
    (void)state;
    stack("frame");
    victim();
    for (size_t i = 0; i < sizeof plants / sizeof *plants; i++) {
        struct store *st;
        struct err why = {0};
        assert_int_equal(in_shell("rm -rf frame/frames/s0001.jpg; %s frame/frames/s0001.jpg", plants[i]), 0);
        assert_int_equal(store_open(in_folder("frame"), true, &st, &why), E_OK);
        assert_int_equal(store_frame_path(st, "s0001.jpg", path, sizeof path, &why), E_DAMAGED);
        store_close(st);
    }
}

/* The cache is asked and filled without a look outside: a linked folder is none, a linked entry is replaced.
 */
static void the_cache_leads_nowhere_else(void **state)
{
    struct store *st;
    struct err why = {0};
    uint8_t *bytes;
    size_t count;
    (void)state;
    stack("cache");
    victim();
    assert_int_equal(store_open(in_folder("cache"), false, &st, &why), E_OK);
    assert_int_equal(in_shell("ln -s ../../victim cache/derived/a.cells; mkfifo cache/derived/b.cells"), 0);
    assert_int_equal(store_derived_get(st, "a.cells", &bytes, &count, &why), E_INPUT);
    assert_int_equal(store_derived_get(st, "b.cells", &bytes, &count, &why), E_INPUT);
    assert_int_equal(store_derived_put(st, "a.cells", "new", 3, &why), E_OK);
    assert_int_equal(store_derived_put(st, "b.cells", "new", 3, &why), E_OK);
    assert_int_equal(store_derived_get(st, "b.cells", &bytes, &count, &why), E_OK);
    assert_int_equal(count, 3);
    mem_free(bytes);
    victim_is_whole();
    assert_int_equal(in_shell("rm -rf cache/derived out; mkdir out; ln -s ../out cache/derived"), 0);
    assert_int_equal(store_derived_put(st, "c.cells", "new", 3, &why), E_IO);
    assert_int_equal(store_derived_get(st, "c.cells", &bytes, &count, &why), E_INPUT);
    assert_int_equal(in_shell("rmdir out"), 0); /* still empty */
    store_close(st);
}

/* --- names --- */

static void names_of_more_than_one_level_are_damage(void **state)
{
    static const char *const names[] = {"'../../x'",
                                        "'/etc/passwd'",
                                        "'a/b'",
                                        "'.'",
                                        "'..'",
                                        "''",
                                        "'.hidden'",
                                        "'a' || char(10)",
                                        "'a' || char(0) || '/b'",
                                        "printf('%.256c', 'x')"};
    (void)state;
    stack("names");
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        char text[128];
        struct store *st;
        struct frame_row *frames;
        struct file_row *files;
        int32_t n;
        struct err why = {0};
        snprintf(text, sizeof text, "UPDATE file SET name = %s", names[i]);
        sql("names", text);
        assert_int_equal(store_open(in_folder("names"), true, &st, &why), E_OK);
        assert_int_equal(store_frames(st, &frames, &n, &why), E_DAMAGED);
        assert_int_equal(store_files(st, 0, &files, &n, &why), E_DAMAGED);
        store_close(st);
    }
}

/* --- code --- */

static void triggers_and_views_are_refused_for_reading_and_writing(void **state)
{
    static const char *const plants[] = {
        "CREATE TRIGGER t AFTER INSERT ON event BEGIN DELETE FROM file; END",
        "CREATE TRIGGER t BEFORE UPDATE ON exposure BEGIN SELECT 1; END",
        "CREATE VIEW v AS SELECT * FROM file",
        "ALTER TABLE choice RENAME TO c; CREATE VIEW choice AS SELECT * FROM c",
    };
    (void)state;
    for (size_t i = 0; i < sizeof plants / sizeof *plants; i++) {
        char name[16];
        struct err why = {0};
        snprintf(name, sizeof name, "code%zu", i);
        stack(name);
        sql(name, plants[i]);
        assert_int_equal(opened(name, true, &why), E_DAMAGED);
        assert_non_null(strstr(why.text, "code"));
        assert_int_equal(opened(name, false, &why), E_DAMAGED);
    }
}

/* --- versions --- */

static void a_newer_stack_stays_as_it_is(void **state)
{
    char before[256];
    struct err why = {0};
    (void)state;
    stack("newer");
    sql("newer", "CREATE TABLE of_tomorrow (a); PRAGMA user_version = 2;");
    snprintf(before, sizeof before, "%s", fingerprint("newer"));
    assert_int_equal(opened("newer", true, &why), E_UNSUPPORTED);
    assert_int_equal(opened("newer", false, &why), E_UNSUPPORTED);
    assert_non_null(strstr(why.text, "update"));
    assert_string_equal(fingerprint("newer"), before);
}

static const char tomorrow[] = "ALTER TABLE event ADD COLUMN colour TEXT;"
                               "UPDATE event SET colour = 'of ' || kind;";

static const char *const *steps_of_tomorrow(const char *second)
{
    static const char *steps[2];
    steps[0] = schema_steps[0];
    steps[1] = second;
    return steps;
}

static int64_t number_in(struct store *st, const char *query)
{
    int64_t n = -1;
    assert_int_equal(db_number(st->db, NULL, &n, query, ""), E_OK);
    return n;
}

static void with_events(const char *name)
{
    int64_t plan;
    struct store *st = planned(name, &plan);
    keep(st, plan, 1);
    assert_int_equal(store_add_event(st, WALL, "light", "brighter", "", NULL), E_OK);
    store_close(st);
}

/* What a later version would do with a stack of today, for reading: also where nothing may be written. */
static void an_older_stack_is_read_by_a_migrated_copy(void **state)
{
    char before[256];
    struct store *st;
    struct frame_row *frames;
    int32_t n;
    struct err why = {0};
    (void)state;
    with_events("older-read");
    snprintf(before, sizeof before, "%s", fingerprint("older-read"));
    assert_int_equal(store_open_as(in_folder("older-read"), true, steps_of_tomorrow(tomorrow), 2, &st, &why),
                     E_OK);
    assert_int_equal(number_in(st, "PRAGMA user_version"), 2);
    assert_int_equal(number_in(st, "SELECT count(*) FROM event WHERE colour = 'of light'"), 1);
    assert_int_equal(store_frames(st, &frames, &n, &why), E_OK);
    assert_int_equal(n, 1);
    mem_free(frames);
    assert_int_equal(store_add_event(st, WALL, "k", "t", "", &why), E_STATE);
    store_close(st);
    assert_string_equal(fingerprint("older-read"), before);
}

static void an_older_stack_is_kept_beside_its_migrated_self(void **state)
{
    struct store *st;
    sqlite3 *db;
    int64_t n;
    struct err why = {0};
    (void)state;
    with_events("older-write");
    assert_int_equal(
        store_open_as(in_folder("older-write"), false, steps_of_tomorrow(tomorrow), 2, &st, &why), E_OK);
    assert_int_equal(number_in(st, "SELECT count(*) FROM event WHERE colour = 'of light'"), 1);
    assert_int_equal(store_add_event(st, WALL, "k", "t", "", &why), E_OK);
    store_close(st);
    assert_int_equal(opened("older-write", true, &why), E_UNSUPPORTED); /* today's program */
    assert_int_equal(sqlite3_open_v2(in_folder("older-write/stack.db.v1"), &db, SQLITE_OPEN_READONLY, NULL),
                     SQLITE_OK);
    assert_int_equal(db_number(db, &why, &n, "PRAGMA user_version", ""), E_OK);
    assert_int_equal(n, 1);
    assert_int_equal(db_number(db, &why, &n, "SELECT count(*) FROM event", ""), E_OK);
    assert_int_equal(n, 1);
    sqlite3_close(db);
    /* put back, it is the stack that it was */
    assert_int_equal(in_shell("cd older-write && rm -f stack.db-* && mv stack.db.v1 stack.db"), 0);
    assert_int_equal(opened("older-write", false, &why), E_OK);
}

static void a_migration_that_fails_leaves_the_older_stack(void **state)
{
    struct store *st = NULL;
    struct err why = {0};
    (void)state;
    with_events("older-fails");
    static const char second[] = "UPDATE event SET kind = 'x'; CREATE TABLE event (a);";
    for (int readonly = 0; readonly < 2; readonly++)
        assert_true(
            store_open_as(in_folder("older-fails"), readonly, steps_of_tomorrow(second), 2, &st, &why) < 0);
    assert_int_equal(store_open(in_folder("older-fails"), false, &st, &why), E_OK);
    assert_int_equal(number_in(st, "SELECT count(*) FROM event WHERE kind = 'light'"), 1);
    store_close(st);
}

/* Each version that was ever released has its folder in tests/fixtures, and is read. */
static void every_released_version_has_a_fixture(void **state)
{
    (void)state;
    for (int v = 1; v <= schema_step_count; v++) {
        char name[64];
        struct err why = {0};
        snprintf(name, sizeof name, "tests/fixtures/stack-v%d/stack.db", v);
        assert_int_equal(access(name, R_OK), 0);
        char command[1024];
        snprintf(command, sizeof command, "cp -r tests/fixtures/stack-v%d '%s' && mkdir -p '%s/frames'", v,
                 test_folder(), in_folder("stack-v%d", v));
        assert_int_equal(system(command), 0);
        snprintf(name, sizeof name, "stack-v%d", v);
        assert_int_equal(opened(name, true, &why), E_OK);
        assert_int_equal(opened(name, false, &why), E_OK);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(no_file_beside_the_database_leads_out_of_the_folder),
        cmocka_unit_test(a_linked_database_or_frames_folder_is_refused),
        cmocka_unit_test(a_frame_that_is_no_ordinary_file_is_not_read),
        cmocka_unit_test(the_cache_leads_nowhere_else),
        cmocka_unit_test(names_of_more_than_one_level_are_damage),
        cmocka_unit_test(triggers_and_views_are_refused_for_reading_and_writing),
        cmocka_unit_test(a_newer_stack_stays_as_it_is),
        cmocka_unit_test(an_older_stack_is_read_by_a_migrated_copy),
        cmocka_unit_test(an_older_stack_is_kept_beside_its_migrated_self),
        cmocka_unit_test(a_migration_that_fails_leaves_the_older_stack),
        cmocka_unit_test(every_released_version_has_a_fixture),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
