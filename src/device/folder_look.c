#include "device/folder_look.h"

#include <stdio.h>
#include <string.h>

#include "base/fs.h"
#include "base/mem.h"
#include "base/pool.h"
#include "image/decode.h"
#include "image/whole.h"
#include "staddle/stack.h"

#define LARGEST ((size_t)1 << 30)
#define LOOK_US 150000 /* virtual clock: declared for a look, and for a read; our choice */

struct kept {
    char name[256];
    uint8_t *bytes;
    size_t count;
};

struct folder_look {
    struct sched *sched;
    const struct folder_watch *watch;
    folder_looked_fn *looked;
    folder_read_fn *read;
    void *arg;
    struct pool *pool;
    bool looking;
    struct kept now, reading; /* now: what is being looked at; the thread's until done */
    struct folder_seen seen;
    struct err read_why;
    struct image image;
    struct kept kept[FRAME_FILES_MOST];
    int kept_count;
    sched_id hand_over;
};

/* FNV-1a: Fowler, Noll, Vo, "The FNV Non-Cryptographic Hash Algorithm" (the IETF draft of that name). Eight
 * pixels at a time: chance alone is to be ruled out, and nobody's malice. */
static uint64_t shorten(const struct image *m)
{
    const size_t n = (size_t)m->width_px * (size_t)m->height_px;
    uint64_t h = UINT64_C(0xcbf29ce484222325);
    for (size_t i = 0; i < n; i += 8) {
        uint64_t word = 0;
        memcpy(&word, m->luma + i, n - i < 8 ? n - i : 8);
        h = (h ^ word) * UINT64_C(0x100000001b3);
    }
    return h ? h : 1;
}

static int read_file(const struct folder_look *l, struct kept *k, struct err *why)
{
    char path[PATH_ROOM + 300];
    int rc = fs_join(path, sizeof path, folder_watch_path(l->watch), k->name, why);
    return rc ? rc : fs_read(path, LARGEST, &k->bytes, &k->count, why);
}

/* On the other thread. */
static void look_at(void *arg)
{
    struct folder_look *l = arg;
    struct folder_seen *s = &l->seen;
    struct image_facts facts = {0};
    int rc = read_file(l, &l->now, &s->why);
    if (!rc) rc = image_check_whole(s->name, l->now.bytes, l->now.count, &s->why);
    if (!rc) rc = image_decode_luma(s->name, l->now.bytes, l->now.count, &l->image, &facts, &s->why);
    if (rc) return;
    s->width_px = facts.width_px;
    s->height_px = facts.height_px;
    s->reduced = facts.reduced;
    s->captured_us = facts.captured_wall_us;
    s->picture = shorten(&l->image);
}

static void drop(struct kept *k)
{
    mem_free(k->bytes);
    *k = (struct kept){0};
}

static void look_done(void *arg)
{
    struct folder_look *l = arg;
    l->looking = false;
    l->looked(l->arg, &l->seen);
    drop(&l->now); /* unless it was kept */
}

static void read_it(void *arg)
{
    struct folder_look *l = arg;
    read_file(l, &l->reading, &l->read_why);
}

static void read_done(void *arg)
{
    struct folder_look *l = arg;
    struct kept k = l->reading;
    l->hand_over = 0;
    l->reading = (struct kept){0};
    l->read(l->arg, k.bytes, k.count, &l->read_why);
}

int folder_look_new(struct sched *sched, const struct folder_watch *watch, folder_looked_fn *looked,
                    folder_read_fn *read, void *arg, struct folder_look **out, struct err *why)
{
    struct folder_look *l = mem_new(1, sizeof *l, why);
    if (!l) return E_NOMEM;
    *l = (struct folder_look){.sched = sched, .watch = watch, .looked = looked, .read = read, .arg = arg};
    l->pool = pool_new(sched, 1, why);
    if (!l->pool) {
        mem_free(l);
        return E_NOMEM;
    }
    *out = l;
    return E_OK;
}

void folder_look_free(struct folder_look *l)
{
    if (!l) return;
    if (l->hand_over) sched_cancel(l->sched, l->hand_over);
    pool_free(l->pool);
    folder_look_forget(l);
    drop(&l->now);
    drop(&l->reading);
    image_clear(&l->image);
    mem_free(l);
}

bool folder_look_busy(const struct folder_look *l)
{
    return l->looking;
}

int folder_look_start(struct folder_look *l, const char *name, struct err *why)
{
    l->seen = (struct folder_seen){.captured_us = INT64_MIN};
    snprintf(l->seen.name, sizeof l->seen.name, "%s", name);
    snprintf(l->now.name, sizeof l->now.name, "%s", name);
    int rc = pool_submit(l->pool, look_at, look_done, l, LOOK_US, why);
    l->looking = !rc;
    return rc;
}

void folder_look_keep(struct folder_look *l)
{
    if (l->kept_count == FRAME_FILES_MOST) return;
    l->kept[l->kept_count++] = l->now;
    l->now = (struct kept){0};
}

void folder_look_forget(struct folder_look *l)
{
    while (l->kept_count)
        drop(&l->kept[--l->kept_count]);
}

int folder_look_read(struct folder_look *l, const char *name, struct err *why)
{
    l->read_why = (struct err){0};
    for (int i = 0; i < l->kept_count; i++) {
        if (strcmp(l->kept[i].name, name) != 0) continue;
        l->reading = l->kept[i];
        l->kept[i] = l->kept[--l->kept_count];
        l->hand_over = sched_at(l->sched, sched_now_us(l->sched), read_done, l);
        return l->hand_over ? E_OK : fail(why, E_NOMEM, "no memory for a call");
    }
    snprintf(l->reading.name, sizeof l->reading.name, "%s", name);
    return pool_submit(l->pool, read_it, read_done, l, LOOK_US, why);
}
