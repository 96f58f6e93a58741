/* Files that a store meets: foreign, newer, planted, damaged, of an older version; checksums; tonight's
 * folder. */
#include "tests/support/test.h"

#include <sqlite3.h>
#include <sys/stat.h>

#include "base/fs.h"
#include "base/mem.h"
#include "store/db.h"
#include "store/evening.h"
#include "store/hash.h"
#include "store/schema.h"
#include "tests/support/shell.h"
#include "tests/support/small_stack.h"

/* --- files that are none of ours --- */

static void foreign(const char *name, const char *sql)
{
    sqlite3 *db;
    mkdir(in_folder("%s", name), 0777);
    char path[512];
    snprintf(path, sizeof path, "%s/frames", in_folder("%s", name));
    mkdir(path, 0777);
    snprintf(path, sizeof path, "%s/stack.db", in_folder("%s", name));
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db, sql, NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
}

static void a_foreign_database_is_refused_untouched(void **state)
{
    (void)state;
    struct store *st = NULL;
    struct err why = {0};
    char before[SHA256_ROOM], after[SHA256_ROOM];
    foreign("foreign", "CREATE TABLE stack (id); INSERT INTO stack VALUES (1);");
    assert_int_equal(sha256_file(in_folder("foreign/stack.db"), before, NULL, &why), E_OK);
    assert_int_equal(store_open(in_folder("foreign"), false, &st, &why), E_INPUT);
    assert_int_equal(store_open(in_folder("foreign"), true, &st, &why), E_INPUT);
    assert_int_equal(sha256_file(in_folder("foreign/stack.db"), after, NULL, &why), E_OK);
    assert_string_equal(before, after);
}

static void a_newer_stack_is_refused_untouched(void **state)
{
    (void)state;
    int64_t plan_id;
    sqlite3 *db;
    struct err why = {0};
    struct store *st = planned("newer", &plan_id);
    store_close(st);
    assert_int_equal(sqlite3_open(in_folder("newer/stack.db"), &db), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db, "PRAGMA user_version = 2", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
    assert_int_equal(store_open(in_folder("newer"), false, &st, &why), E_UNSUPPORTED);
    assert_non_null(strstr(why.text, "newer"));
    assert_int_equal(err_exit_status(why.code), 2);
}

static void planted_code_in_a_stack_is_refused(void **state)
{
    (void)state;
    int64_t plan_id;
    sqlite3 *db;
    struct err why = {0};
    struct store *st = planned("trigger", &plan_id);
    store_close(st);
    assert_int_equal(sqlite3_open(in_folder("trigger/stack.db"), &db), SQLITE_OK);
    assert_int_equal(
        sqlite3_exec(db, "CREATE TRIGGER t AFTER INSERT ON event BEGIN UPDATE stack SET name = 'x'; END",
                     NULL, NULL, NULL),
        SQLITE_OK);
    sqlite3_close(db);
    assert_int_equal(store_open(in_folder("trigger"), false, &st, &why), E_DAMAGED);
}

/* A row's text that leads out of the folder is damage, however it came there. */
static void a_path_planted_in_the_database_is_not_followed(void **state)
{
    (void)state;
    int64_t plan_id;
    sqlite3 *db;
    struct err why = {0};
    struct store *st = planned("planted", &plan_id);
    keep(st, plan_id, 1);
    store_close(st);
    assert_int_equal(sqlite3_open(in_folder("planted/stack.db"), &db), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db, "UPDATE file SET name = '../../x'", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
    struct frame_row *rows;
    int32_t n;
    assert_int_equal(store_open(in_folder("planted"), true, &st, &why), E_OK);
    assert_int_equal(store_frames(st, &rows, &n, &why), E_DAMAGED);
    store_close(st);
}

static char *dump_of(const char *dir, int *rc)
{
    char *text = NULL;
    size_t size;
    struct store *st;
    struct err why = {0};
    *rc = store_open(dir, true, &st, &why);
    if (*rc) return NULL;
    FILE *out = open_memstream(&text, &size);
    *rc = store_dump(st, out, &why);
    fclose(out);
    store_close(st);
    return text;
}

/* In turn, eight bytes of every 64 of the file are overwritten: the store says E_DAMAGED or reads what was
 * written - but for bytes that are a value of a row, which no structure can tell, and which never end it. */
static void a_damaged_database_is_told_and_ends_nothing(void **state)
{
    (void)state;
    int64_t plan_id;
    uint8_t *whole;
    size_t size;
    int told = 0, same = 0, values = 0, rc;
    char path[512], dir[512];
    struct store *st = planned("damage", &plan_id);
    for (int i = 1; i <= SLICES; i++)
        keep(st, plan_id, i);
    store_close(st);
    snprintf(dir, sizeof dir, "%s", in_folder("damage"));
    snprintf(path, sizeof path, "%s", in_folder("damage/stack.db"));
    char *good = dump_of(dir, &rc);
    assert_int_equal(fs_read(path, 1 << 20, &whole, &size, NULL), E_OK);
    for (size_t at = 0; at + 64 <= size; at += 64) {
        FILE *f = fopen(path, "r+b");
        fseek(f, (long)at, SEEK_SET);
        for (int i = 0; i < 8; i++)
            fputc(0xa5, f);
        fclose(f);
        char *text = dump_of(dir, &rc);
        /* the application id lies at 68: another one makes it somebody else's file */
        assert_true(rc == E_OK || rc == E_DAMAGED || rc == E_UNSUPPORTED || (rc == E_INPUT && at == 64));
        told += rc != E_OK;
        if (!rc && !strcmp(text, good))
            same++;
        else if (!rc)
            values++;
        free(text);
        f = fopen(path, "r+b");
        assert_int_equal(fwrite(whole, 1, size, f), size);
        fclose(f);
    }
    free(good);
    mem_free(whole);
    printf("measured: %d damaged databases: %d told, %d read as written, %d with a changed value in a row\n",
           told + same + values, told, same, values);
    assert_true(told > 50);
}

/* --- migrations --- */

static void a_step_that_fails_leaves_the_version_before_it(void **state)
{
    (void)state;
    sqlite3 *db;
    struct err why = {0};
    int64_t n;
    static const char *const steps[] = {"CREATE TABLE a (x)",
                                        "ALTER TABLE a ADD COLUMN y; INSERT INTO a VALUES (1, 2)",
                                        "CREATE TABLE b (x); CREATE TABLE b (x)"};
    assert_int_equal(mkdir(in_folder("steps"), 0777), 0);
    assert_int_equal(db_open(in_folder("steps"), false, true, &db, &why), E_OK);
    assert_int_equal(schema_migrate(db, steps, 1, &why), E_OK);
    assert_true(schema_migrate(db, steps, 3, &why) < 0);
    assert_int_equal(db_number(db, &why, &n, "PRAGMA user_version", ""), E_OK);
    assert_int_equal(n, 2); /* the second step went, the third did not */
    assert_int_equal(db_number(db, &why, &n, "SELECT y FROM a", ""), E_OK);
    assert_int_equal(n, 2);
    assert_int_equal(db_number(db, &why, &n, "SELECT count(*) FROM sqlite_schema WHERE name = 'b'", ""),
                     E_OK);
    assert_int_equal(n, 0);
    assert_int_equal(schema_migrate(db, steps, 1, &why), E_UNSUPPORTED);
    sqlite3_close(db);
}

/* tests/fixtures/stack-v1 was made once, with version 1, and is never made anew. */
static void a_stack_of_the_first_version_still_opens(void **state)
{
    (void)state;
    char command[1024];
    struct store *st;
    struct err why = {0};
    snprintf(command, sizeof command, "cp -r tests/fixtures/stack-v1 '%s' && mkdir -p '%s/frames'",
             test_folder(), in_folder("stack-v1"));
    assert_int_equal(system(command), 0);
    int rc = store_open(in_folder("stack-v1"), false, &st, &why);
    if (rc) print_error("%s\n", why.text);
    assert_int_equal(rc, E_OK);
    FILE *out = fopen(in_folder("v1.dump"), "w");
    assert_int_equal(store_dump(st, out, &why), E_OK);
    fclose(out);
    store_close(st);
    snprintf(command, sizeof command, "diff '%s' tests/fixtures/stack-v1.dump", in_folder("v1.dump"));
    assert_int_equal(system(command), 0);
    assert_int_equal(store_open(in_folder("stack-v1"), true, &st, &why), E_OK);
    store_close(st);
}

/* --- hashing --- */

/* FIPS 180-4 examples and their commonly published extensions. */
static void sha256_matches_the_standard(void **state)
{
    (void)state;
    char hex[SHA256_ROOM];
    sha256_bytes("", 0, hex);
    assert_string_equal(hex, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    sha256_bytes("abc", 3, hex);
    assert_string_equal(hex, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    static const char two_blocks[] = "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq";
    sha256_bytes(two_blocks, strlen(two_blocks), hex);
    assert_string_equal(hex, "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
    char *million = malloc(1000000);
    memset(million, 'a', 1000000);
    sha256_bytes(million, 1000000, hex);
    assert_string_equal(hex, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
    FILE *f = fopen(in_folder("million"), "wb");
    assert_int_equal(fwrite(million, 1, 1000000, f), 1000000);
    fclose(f);
    free(million);
    char from_file[SHA256_ROOM];
    int64_t bytes;
    assert_int_equal(sha256_file(in_folder("million"), from_file, &bytes, NULL), E_OK);
    assert_string_equal(from_file, hex);
    assert_int_equal(bytes, 1000000);
    static const char zeros[64];
    sha256_bytes(zeros, sizeof zeros, hex);
    assert_string_equal(hex, "f5a5fd42d16a20302798ef6ed309979b43003d2320d9f0e8ea9831a92759fb4b");
}

/* --- tonight's folder --- */

static void the_evening_numbers_its_stacks(void **state)
{
    (void)state;
    char dir[512], wanted[512];
    struct err why = {0};
    const int64_t evening = 978379200LL * 1000000; /* 2001-01-01T20:00:00Z (POSIX seconds) */
    mkdir(in_folder("bench"), 0777);
    assert_int_equal(evening_next_stack(in_folder("bench"), evening, 0, dir, sizeof dir, &why), E_OK);
    snprintf(wanted, sizeof wanted, "%s/2001-01-01/stack-001", in_folder("bench"));
    assert_string_equal(dir, wanted);
    mkdir(in_folder("bench/2001-01-01/stack-007"), 0777);
    mkdir(in_folder("bench/2001-01-01/stack-008.part"), 0777);
    mkdir(in_folder("bench/2001-01-01/stack-900x"), 0777);
    assert_int_equal(evening_next_stack(in_folder("bench"), evening, 0, dir, sizeof dir, &why), E_OK);
    assert_non_null(strstr(dir, "/2001-01-01/stack-008"));
    /* half past one in the night still belongs to the evening; nine in the morning does not */
    assert_int_equal(
        evening_next_stack(in_folder("bench"), evening + 19800000000LL, 0, dir, sizeof dir, &why), E_OK);
    assert_non_null(strstr(dir, "/2001-01-01/stack-008"));
    assert_int_equal(
        evening_next_stack(in_folder("bench"), evening + 46800000000LL, 0, dir, sizeof dir, &why), E_OK);
    assert_non_null(strstr(dir, "/2001-01-02/stack-001"));
    /* local time decides */
    assert_int_equal(evening_next_stack(in_folder("bench"), evening, 11 * 3600, dir, sizeof dir, &why), E_OK);
    assert_non_null(strstr(dir, "/2001-01-02/stack-001"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_foreign_database_is_refused_untouched),
        cmocka_unit_test(a_newer_stack_is_refused_untouched),
        cmocka_unit_test(planted_code_in_a_stack_is_refused),
        cmocka_unit_test(a_path_planted_in_the_database_is_not_followed),
        cmocka_unit_test(a_damaged_database_is_told_and_ends_nothing),
        cmocka_unit_test(a_step_that_fails_leaves_the_version_before_it),
        cmocka_unit_test(a_stack_of_the_first_version_still_opens),
        cmocka_unit_test(sha256_matches_the_standard),
        cmocka_unit_test(the_evening_numbers_its_stacks),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
