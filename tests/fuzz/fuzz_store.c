/* The database of a stranger's stack folder, opened and read as every verb does, then written to.
 *
 * An input that begins like a database is the database. Any other is SQL, run beforehand on a sound stack by
 * a plain connection, as a stranger could: so that odd rows, planted triggers and other tables come behind
 * whole pages. */
#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/fs.h"
#include "base/mem.h"
#include "store/store.h"
#include "tests/fuzz/fuzz.h"

#define WALL     1000000000000000LL
#define STEPS    200000 /* of SQLite's machine, for a stranger's SQL */
#define DB_MOST  ((size_t)1 << 22)
#define SQL_MOST 4096

static char dir[128], db_path[160], wal_path[176], shm_path[176];
static uint8_t *sound;
static size_t sound_count;

/* --- a sound stack, once --- */

static void keep_slice(struct store *st, int64_t plan, int32_t slice)
{
    char name[64];
    struct err why;
    struct file_row file;
    struct exposure_row e = {.plan_id = plan,
                             .slice = slice,
                             .nonce = 7,
                             .fire_seq = slice,
                             .camera_epoch = 1,
                             .reached_counts = 16 * slice,
                             .settle_us = 1000000,
                             .triggered_at_us = WALL + slice,
                             .exposure_us = 250000};
    FUZZ_HOLDS(!store_exposure_begin(st, &e, &why));
    FUZZ_HOLDS(!store_exposure_seen(st, e.id, "IMG_1.JPG", 1234, &why));
    FUZZ_HOLDS(!store_frame_name(name, sizeof name, &e, "jpg", &why));
    FUZZ_HOLDS(!store_put_frame(st, name, name, strlen(name), &file, &why));
    FUZZ_HOLDS(!store_exposure_kept(st, e.id, &file, 1, &why));
}

static void make_sound(void)
{
    struct plan_slice slices[3] = {{1, false, 0, 0}, {2, false, 1000, 16}, {3, true, 2000, 32}};
    const struct plan plan = {.spacing_nm = 1000, .slice_count = 3, .slices = slices};
    const struct stack_info info = {
        .name = "sound", .job_text = (char *)"slices: 3\n", .created_wall_us = WALL};
    struct store *st;
    struct err why;
    int64_t id;
    snprintf(dir, sizeof dir, "%s/s", fuzz_folder());
    snprintf(db_path, sizeof db_path, "%s/stack.db", dir);
    snprintf(wal_path, sizeof wal_path, "%s-wal", db_path);
    snprintf(shm_path, sizeof shm_path, "%s-shm", db_path);
    FUZZ_HOLDS(!store_create(dir, &info, &st, &why));
    FUZZ_HOLDS(!store_add_plan(st, &plan, "as planned", WALL, &id, &why));
    keep_slice(st, id, 1);
    keep_slice(st, id, 2);
    FUZZ_HOLDS(!store_add_event(st, WALL, "light", "brighter", "", &why));
    FUZZ_HOLDS(!store_add_choice(st, 1, true, WALL, &why));
    store_close(st);
    FUZZ_HOLDS(!fs_read(db_path, DB_MOST, &sound, &sound_count, &why));
}

/* --- what the input makes of it --- */

static void put_db(const uint8_t *bytes, size_t count)
{
    unlink(wal_path);
    unlink(shm_path);
    fuzz_write(db_path, bytes, count);
}

/* No other file, and no setting that would reach one. */
static int permit(void *arg, int action, const char *a, const char *b, const char *c, const char *d)
{
    (void)arg;
    (void)b;
    (void)c;
    (void)d;
    if (action == SQLITE_ATTACH || action == SQLITE_DETACH) return SQLITE_DENY;
    if (action == SQLITE_PRAGMA && (strstr(a, "dir") || strstr(a, "journal") || strstr(a, "locking")))
        return SQLITE_DENY;
    return SQLITE_OK;
}

static int enough(void *steps)
{
    return ++*(int *)steps > STEPS / 1000;
}

static void run_sql(const uint8_t *data, size_t size)
{
    sqlite3 *db;
    char sql[SQL_MOST + 1];
    int steps = 0;
    memcpy(sql, data, size);
    sql[size] = '\0';
    FUZZ_HOLDS(sqlite3_open(db_path, &db) == SQLITE_OK);
    sqlite3_limit(db, SQLITE_LIMIT_LENGTH, 50000);
    sqlite3_set_authorizer(db, permit, NULL);
    sqlite3_progress_handler(db, 1000, enough, &steps);
    sqlite3_exec(db, sql, NULL, NULL, NULL);
    sqlite3_close(db);
}

/* --- what the program does with it --- */

static void said(int rc, const struct err *why)
{
    FUZZ_HOLDS(!rc || (why->code == rc && why->text[0] && strchr(why->text, ';')));
}

static void names_are_single(struct store *st, const struct file_row *files, int32_t count)
{
    char path[512];
    const char *frames = store_frames_dir(st);
    for (int32_t i = 0; i < count; i++) {
        struct err why;
        struct stat at;
        FUZZ_HOLDS(files[i].name[0] && files[i].name[0] != '.' && !strchr(files[i].name, '/'));
        if (store_frame_path(st, files[i].name, path, sizeof path, &why)) continue;
        FUZZ_HOLDS(!strncmp(path, frames, strlen(frames)) && path[strlen(frames)] == '/');
        FUZZ_HOLDS(!lstat(path, &at) && S_ISREG(at.st_mode));
    }
}

#define READ(call, type, check)                                                                              \
    do {                                                                                                     \
        type *rows = NULL;                                                                                   \
        int32_t count = -1;                                                                                  \
        const int rc_ = call;                                                                                \
        said(rc_, &why);                                                                                     \
        FUZZ_HOLDS(rc_ ? !rows : rows && count >= 0);                                                        \
        if (!rc_) {                                                                                          \
            check;                                                                                           \
        }                                                                                                    \
        mem_free(rows);                                                                                      \
    } while (0)

static void read_all(struct store *st)
{
    struct err why = {0};
    struct stack_info info;
    const int rc = store_info(st, &info, &why);
    said(rc, &why);
    if (!rc) stack_info_clear(&info);
    READ(store_plans(st, &rows, &count, &why), struct plan_row, );
    READ(store_slices(st, 0, &rows, &count, &why), struct slice_row, );
    READ(store_slices(st, 1, &rows, &count, &why), struct slice_row, );
    READ(store_exposures(st, &rows, &count, &why), struct exposure_row, );
    READ(store_files(st, 0, &rows, &count, &why), struct file_row, names_are_single(st, rows, count));
    READ(store_files(st, 1, &rows, &count, &why), struct file_row, names_are_single(st, rows, count));
    READ(store_events(st, &rows, &count, &why), struct event_row, );
    READ(store_choices(st, &rows, &count, &why), struct choice_row, );
    READ(store_frames(st, &rows, &count, &why), struct frame_row,
         for (int32_t i = 0; i < count; i++) names_are_single(st, rows[i].files, rows[i].file_count));
    char *text = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&text, &length);
    FUZZ_HOLDS(out != NULL);
    said(store_dump(st, out, &why), &why);
    fclose(out);
    free(text);
}

static void write_some(struct store *st)
{
    struct err why = {0};
    struct exposure_row e = {.plan_id = 1, .slice = 3, .triggered_at_us = WALL};
    said(store_add_event(st, WALL, "note", "seen", "", &why), &why);
    said(store_add_choice(st, 1, false, WALL, &why), &why);
    int rc = store_exposure_begin(st, &e, &why);
    said(rc, &why);
    if (rc) return;
    rc = store_exposure_seen(st, e.id, "IMG_3.JPG", 1, &why);
    FUZZ_HOLDS(!rc || why.code == rc);
    rc = store_exposure_end(st, e.id, EXPOSURE_LOST, "no reason", NULL, 0, &why);
    FUZZ_HOLDS(!rc || why.code == rc);
}

static void untouched(const uint8_t *before, size_t count)
{
    uint8_t *now;
    size_t now_count;
    struct err why;
    FUZZ_HOLDS(!fs_read(db_path, DB_MOST, &now, &now_count, &why));
    FUZZ_HOLDS(now_count == count && !memcmp(now, before, count));
    mem_free(now);
}

static void take(void)
{
    struct store *st = NULL;
    struct err why = {0};
    uint8_t *before;
    size_t count;
    FUZZ_HOLDS(!fs_read(db_path, DB_MOST, &before, &count, &why));
    int rc = store_open(dir, true, &st, &why);
    said(rc, &why);
    if (!rc) read_all(st);
    store_close(st);
    untouched(before, count);
    st = NULL;
    rc = store_open(dir, false, &st, &why);
    said(rc, &why);
    if (rc)
        untouched(before, count);
    else {
        write_some(st);
        read_all(st);
    }
    store_close(st);
    mem_free(before);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (!sound) make_sound();
    if (size >= 16 && !memcmp(data, "SQLite format 3", 16)) {
        put_db(data, size);
    } else {
        if (size > SQL_MOST) return 0;
        put_db(sound, sound_count);
        run_sql(data, size);
    }
    take();
    return 0;
}
