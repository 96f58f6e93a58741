/* seeds_stack.c - measures of frames, and stacks in every state that a run leaves behind. */
#include "tests/support/test.h"

#include <sqlite3.h>

#include "base/fs.h"
#include "base/mem.h"
#include "image/cells.h"
#include "image/measure_io.h"
#include "store/import.h"
#include "tests/fuzz/seeds.h"
#include "tests/support/shell.h"
#include "tests/support/small_stack.h"

#define SIDE_MOST 128
#define DB_MOST   (1 << 20)

/* --- kept measures --- */

static void measures(int width, int height, const struct frame_shift *shift)
{
    static uint8_t luma[SIDE_MOST * SIDE_MOST], ends[SIDE_MOST * SIDE_MOST];
    struct image image = {.width_px = width, .height_px = height, .luma = luma, .ends = ends};
    struct frame_measure m;
    struct err why;
    uint8_t *bytes;
    size_t count;
    char name[64];
    struct cells_space *space = cells_space_new(&why);
    for (int y = 0; y < height; y++)
        for (int x = 0; x < width; x++)
            luma[y * width + x] = (uint8_t)(128 + ((x / 3 ^ y / 5) & 1 ? 60 : -60) + (x * y) % 7);
    assert_int_equal(cells_measure(space, "made", &image, &m, &why), 0);
    if (shift) m.shift = *shift;
    assert_int_equal(measure_to_bytes(&m, &bytes, &count, &why), 0);
    snprintf(name, sizeof name, "%dx%d%s.cells", width, height, shift ? "-shifted" : "");
    seed_write("measures", name, bytes, count);
    mem_free(bytes);
    frame_measure_clear(&m);
    cells_space_free(space);
}

void seeds_of_measures(void)
{
    const struct frame_shift shift = {SHIFT_GOOD, 1.5f, -0.25f, 1.001f, 0.9f};
    for (int side = 16; side <= 32; side += 2) {
        measures(side, 16, NULL);
        measures(16, side + 1, &shift);
    }
    measures(120, 16, NULL);
    measures(17, 121, NULL);
}

/* --- stacks --- */

/* In pages of 512 bytes, without a log: small, and still what the program opens. */
static void save(const char *folder, const char *name, const char *sql)
{
    char path[512], label[64];
    struct err why;
    uint8_t *bytes;
    size_t count;
    sqlite3 *db;
    snprintf(path, sizeof path, "%s/stack.db", folder);
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    if (sqlite3_exec(db, "PRAGMA journal_mode = DELETE; PRAGMA page_size = 512; VACUUM;", NULL, NULL, NULL) ||
        (sql && sqlite3_exec(db, sql, NULL, NULL, NULL)))
        fail_msg("%s: %s", name, sqlite3_errmsg(db));
    sqlite3_close(db);
    assert_int_equal(fs_read(path, DB_MOST, &bytes, &count, &why), 0);
    snprintf(label, sizeof label, "%s.db", name);
    seed_write("store", label, bytes, count);
    mem_free(bytes);
}

typedef void shoot_fn(struct store *, int64_t plan);

static void stack(const char *name, shoot_fn *shoot, const char *sql)
{
    int64_t plan;
    struct store *st = planned(name, &plan);
    if (shoot) shoot(st, plan);
    store_close(st);
    save(in_folder("%s", name), name, sql);
}

static struct exposure_row begin(struct store *st, int64_t plan, int32_t slice)
{
    struct exposure_row e = wish(plan, slice);
    assert_int_equal(store_exposure_begin(st, &e, NULL), 0);
    return e;
}

static void firing(struct store *st, int64_t plan)
{
    keep(st, plan, 1);
    begin(st, plan, 2);
}

static void seen(struct store *st, int64_t plan)
{
    const struct exposure_row e = begin(st, plan, 1);
    assert_int_equal(store_exposure_seen(st, e.id, "IMG_0001.JPG", 4321, NULL), 0);
}

static void lost(struct store *st, int64_t plan)
{
    const struct exposure_row e = begin(st, plan, 1);
    assert_int_equal(store_exposure_end(st, e.id, EXPOSURE_LOST, "the camera recounts none", NULL, 0, NULL),
                     0);
    keep(st, plan, 1);
}

static void doubtful(struct store *st, int64_t plan)
{
    const struct exposure_row e = begin(st, plan, 3);
    assert_int_equal(store_exposure_end(st, e.id, EXPOSURE_DOUBTFUL, "cannot tell", NULL, 0, NULL), 0);
}

static void misfire(struct store *st, int64_t plan)
{
    const struct exposure_row e = begin(st, plan, 1);
    assert_int_equal(store_exposure_seen(st, e.id, "IMG_0001.JPG", 4321, NULL), 0);
    const struct file_row f = put_file(st, &e, "jpg");
    assert_int_equal(store_exposure_end(st, e.id, EXPOSURE_FAILED, "dark", &f, 1, NULL), 0);
    keep(st, plan, 1);
}

static void whole(struct store *st, int64_t plan)
{
    for (int32_t slice = 1; slice <= SLICES; slice++)
        keep(st, plan, slice);
}

static void pairs(struct store *st, int64_t plan)
{
    for (int32_t slice = 1; slice <= 2; slice++) {
        const struct exposure_row e = begin(st, plan, slice);
        assert_int_equal(store_exposure_seen(st, e.id, "IMG_0001.RAW", 4321, NULL), 0);
        struct file_row f[2] = {put_file(st, &e, "dng"), put_file(st, &e, "jpg")};
        f[0].width_px = f[1].width_px = 1800;
        f[0].height_px = f[1].height_px = 1200;
        f[1].f_number = 2.8;
        f[1].iso = 100;
        f[1].captured_wall_us = WALL;
        f[1].exposure_us = 250000;
        assert_int_equal(store_exposure_kept(st, e.id, f, 2, NULL), 0);
    }
}

static void closing(struct store *st, int64_t plan)
{
    whole(st, plan);
    struct exposure_row e = wish(STACK_NONE, 0);
    e.purpose = PURPOSE_CLOSING;
    e.plan_id = STACK_NONE;
    assert_int_equal(store_exposure_begin(st, &e, NULL), 0);
    assert_int_equal(store_exposure_seen(st, e.id, "IMG_0099.JPG", 4321, NULL), 0);
    const struct file_row f = put_file(st, &e, "jpg");
    assert_int_equal(store_exposure_kept(st, e.id, &f, 1, NULL), 0);
}

static void filled(struct store *st, int64_t plan)
{
    struct plan_slice more[2] = {{6, false, 500, 8}, {7, false, 1500, 24}};
    const struct plan second = {.source = PLAN_FILLED, .spacing_nm = 500, .slice_count = 2, .slices = more};
    int64_t id;
    whole(st, plan);
    assert_int_equal(store_add_plan(st, &second, "a gap at slice 1", WALL + 1, &id, NULL), 0);
    keep(st, id, 6);
    keep(st, id, 7);
}

static void remarks(struct store *st, int64_t plan)
{
    keep(st, plan, 1);
    for (int i = 0; i < 6; i++)
        assert_int_equal(store_add_event(st, WALL + i, "light", "brighter by 0.1 stops", "slice 1", NULL), 0);
    assert_int_equal(store_add_choice(st, 1, false, WALL, NULL), 0);
    assert_int_equal(store_add_choice(st, 1, true, WALL + 9, NULL), 0);
}

static void other_kinds(void)
{
    struct store *st;
    int64_t id;
    struct imported_frame frames[2] = {{.slice = 1, .file_count = 1}, {.slice = 2, .file_count = 1}};
    const struct stack_info info = {.kind = STACK_IMPORTED, .order = ORDER_UNKNOWN, .name = "from a card"};
    assert_int_equal(store_create(in_folder("imported"), &info, &st, NULL), 0);
    for (int i = 0; i < 2; i++) {
        char name[16];
        snprintf(name, sizeof name, "s000%d.png", i + 1);
        assert_int_equal(store_put_frame(st, name, name, 5, &frames[i].files[0], NULL), 0);
    }
    assert_int_equal(store_add_imported(st, frames, 2, WALL, &id, NULL), 0);
    store_close(st);
    save(in_folder("imported"), "imported", NULL);
    save(in_folder("imported"), "imported-far-first", "UPDATE stack SET capture_order = 'far-first';");
}

void seeds_of_stacks(void)
{
    stack("planned", NULL, NULL);
    stack("firing", firing, NULL);
    stack("seen", seen, NULL);
    stack("lost", lost, NULL);
    stack("doubtful", doubtful, NULL);
    stack("misfire", misfire, NULL);
    stack("whole", whole, NULL);
    stack("pairs", pairs, NULL);
    stack("closing", closing, NULL);
    stack("filled", filled, NULL);
    stack("remarks", remarks, NULL);
    stack("newer", whole, "PRAGMA user_version = 99;");
    stack("no-version", NULL, "PRAGMA user_version = 0;");
    stack("of-another-program", NULL, "PRAGMA application_id = 7;");
    stack("log-mode", firing, "PRAGMA journal_mode = WAL;");
    stack("with-free-pages", whole, "DELETE FROM file; DELETE FROM exposure;");
    stack("trigger", NULL, "CREATE TRIGGER t AFTER INSERT ON event BEGIN DELETE FROM stack; END;");
    stack("view", NULL, "CREATE VIEW v AS SELECT * FROM stack;");
    stack("path-in-a-name", whole, "UPDATE file SET name = '../../x' WHERE id = 2;");
    stack("long-texts", remarks, "UPDATE event SET text = printf('%.*c', 300, 'x');");
    stack("no-stack-row", NULL, "DELETE FROM stack;");
    stack("other-tables", NULL, "ALTER TABLE file DROP COLUMN iso; CREATE TABLE more (a);");
    other_kinds();
}
