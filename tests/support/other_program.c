#include "tests/support/other_program.h"

#include <fcntl.h>
#include <inttypes.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/mem.h"
#include "tests/support/test.h"

#define READY_US 300000 /* from the end of the exposure to the first piece of the file */
#define PIECE_US 400000 /* to the second: longer than a file has to be quiet */
#define END_US   20000  /* and until it is closed */

static void on_open(void *arg, folder_seen_fn *seen, void *seen_arg)
{
    struct other_program *o = arg;
    o->seen = seen;
    o->seen_arg = seen_arg;
}

static void on_close(void *arg)
{
    ((struct other_program *)arg)->seen = NULL;
}

static int64_t on_came(void *arg, const char *name, const struct stat *st)
{
    (void)arg, (void)name;
    return (int64_t)st->st_mtim.tv_sec * 1000000 + st->st_mtim.tv_nsec / 1000; /* written by stamp() */
}

const char *other_path(const struct other_program *o, const char *name)
{
    static char room[4][900];
    static int turn;
    char *out = room[turn++ % 4];
    snprintf(out, sizeof room[0], "%s/%s", o->dir, name);
    return out;
}

static void say(struct other_program *o, enum folder_what what, const char *name)
{
    if (o->seen) o->seen(o->seen_arg, what, name);
}

/* The file's times are those of the virtual clock. */
static void stamp(const struct other_program *o, const char *name)
{
    const int64_t us = sched_wall_us(o->sched);
    const struct timespec at = {.tv_sec = us / 1000000, .tv_nsec = us % 1000000 * 1000};
    assert_int_equal(utimensat(AT_FDCWD, other_path(o, name), (struct timespec[]){at, at}, 0), 0);
}

void other_write(struct other_program *o, const char *name, const void *bytes, size_t count)
{
    FILE *f = fopen(other_path(o, name), "ab");
    assert_non_null(f);
    assert_int_equal(fwrite(bytes, 1, count, f), count);
    assert_int_equal(fclose(f), 0);
    stamp(o, name);
    say(o, FOLDER_CHANGED, "");
    say(o, FOLDER_WRITTEN, name);
}

void other_end(struct other_program *o, const char *name)
{
    say(o, FOLDER_CLOSED, name);
}

void other_put(struct other_program *o, const char *name, const void *bytes, size_t count)
{
    other_write(o, name, bytes, count);
    other_end(o, name);
}

void other_rename(struct other_program *o, const char *from, const char *to)
{
    assert_int_equal(rename(other_path(o, from), other_path(o, to)), 0);
    say(o, FOLDER_CHANGED, "");
    say(o, FOLDER_CLOSED, to);
}

/* ---- by itself */

static void piece_three(void *arg)
{
    struct other_program *o = arg;
    other_end(o, o->name);
    mem_free(o->jpeg);
    o->jpeg = NULL;
}

static void piece_two(void *arg)
{
    struct other_program *o = arg;
    other_write(o, o->name, o->jpeg + o->jpeg_bytes / 2, o->jpeg_bytes - o->jpeg_bytes / 2);
    if (o->asked == o->twice_at) other_put(o, "double.jpg", o->jpeg, o->jpeg_bytes);
    sched_at(o->sched, sched_now_us(o->sched) + END_US, piece_three, o);
}

static void piece_one(void *arg)
{
    struct other_program *o = arg;
    other_write(o, o->name, o->jpeg, o->jpeg_bytes / 2);
    sched_at(o->sched, sched_now_us(o->sched) + PIECE_US, piece_two, o);
}

static void shutter(void *arg)
{
    struct other_program *o = arg;
    struct shot shot = {0};
    struct err why = {0};
    const int64_t now = sched_now_us(o->sched);
    world_expose(o->world, now - o->exposure_us, now, false, &shot);
    shot.noise_seed = (uint64_t)++o->shots;
    shot.wall_us = sched_wall_us(o->sched) - o->exposure_us;
    assert_int_equal(world_render(o->world, &shot, 1, &o->jpeg, &o->jpeg_bytes, &why), 0);
    snprintf(o->name, sizeof o->name, "IMG_%05" PRId32 ".JPG", o->shots);
    sched_at(o->sched, now + READY_US, piece_one, o);
}

static void on_asked(void *arg, uint64_t token)
{
    struct other_program *o = arg;
    o->token = token;
    o->asked++;
    if (o->on_asked) o->on_asked(o->on_asked_arg, token);
    if (!o->world || o->asked == o->idle_at) return;
    sched_at(o->sched, sched_now_us(o->sched) + o->lag_us + o->exposure_us, shutter, o);
}

void other_open(struct other_program *o, const char *name)
{
    memset(o, 0, sizeof *o);
    snprintf(o->dir, sizeof o->dir, "%s/%s", test_folder(), name);
    assert_int_equal(mkdir(o->dir, 0755), 0);
    o->eyes = (struct folder_eyes){
        .arg = o, .open = on_open, .close = on_close, .asked = on_asked, .came_wall_us = on_came};
}

void other_close(struct other_program *o)
{
    mem_free(o->jpeg);
    o->jpeg = NULL;
}
