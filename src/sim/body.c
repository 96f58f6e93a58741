#include "sim/body.h"

#include <limits.h>
#include <stdio.h>

#include "base/fs.h"
#include "base/mem.h"
#include "sim/hash.h"

#define MIRROR_US    30000000 /* then it comes down by itself (common practice, no source) */
#define NUMBERS_MOST 99999    /* of a card */

struct body {
    struct body_opts opts;
    char card[PATH_MAX];
    sched_id call;
    bool full, busy, open;
    int64_t on_us, open_us;
    int64_t raised_us, mirror_us; /* 0: it is down; and the shortest that it was up for */
    int32_t releases, frames, ignored, number;
};

static void on_ready(void *arg)
{
    struct body *b = arg;
    b->call = 0;
    b->busy = false;
}

/* What its clock shows at that time of the scheduler's. */
static int64_t clock_us(const struct body *b, int64_t at_us)
{
    const struct body_clock *c = &b->opts.clock;
    const int64_t bench_us = sched_wall_us(b->opts.sched) - sched_now_us(b->opts.sched) + at_us;
    const int64_t us = bench_us + c->ahead_us + (int64_t)((double)(at_us - b->on_us) * c->fast_ppm * 1e-6);
    return c->whole_seconds ? us - us % 1000000 : us;
}

/* Under the next number that is free, as a card's counter goes on. */
static int put_on_card(struct body *b, const void *jpeg, size_t count, struct err *why)
{
    char name[32];
    if (!fs_exists(b->card) && fs_make_dir(b->card, why)) return E_IO;
    int rc = E_STATE;
    while (rc == E_STATE && b->number < NUMBERS_MOST) {
        snprintf(name, sizeof name, "card_%05d.jpg", (int)++b->number);
        rc = fs_put(b->card, name, jpeg, count, 0644, why);
    }
    return rc;
}

static void keep(struct body *b, const struct shot *s)
{
    uint8_t *jpeg = NULL;
    size_t count = 0;
    struct err why = {0};
    if (!b->card[0] || world_render(b->opts.world, s, b->opts.threads, &jpeg, &count, &why)) return;
    if (!put_on_card(b, jpeg, count, &why)) b->frames++;
    mem_free(jpeg);
}

static void shut(void *arg)
{
    struct body *b = arg;
    struct shot s;
    const int64_t now_us = sched_now_us(b->opts.sched);
    b->call = 0;
    b->open = false;
    world_expose(b->opts.world, b->open_us, now_us, b->opts.flash, &s);
    s.token = (uint64_t)++b->releases;
    s.noise_seed = hash_mix(b->opts.seed, s.token);
    s.wall_us = clock_us(b, b->open_us);
    s.f_number = s.iso = 0;
    s.focal_length_nm = b->opts.focal_length_nm;
    keep(b, &s);
    b->call = sched_at(b->opts.sched, now_us + b->opts.busy_us, on_ready, b);
}

static void shuts_at(struct body *b, int64_t at_us)
{
    b->call = sched_at(b->opts.sched, at_us, shut, b);
}

static void opens(void *arg)
{
    struct body *b = arg;
    b->call = 0;
    b->open = true;
    b->open_us = sched_now_us(b->opts.sched);
    if (!b->opts.bulb)
        shuts_at(b, b->open_us + b->opts.exposure_us);
    else if (!b->full) /* let go already */
        shuts_at(b, b->open_us + 1000);
}

static void press(struct body *b)
{
    if (b->busy) {
        b->ignored++;
        return;
    }
    const int64_t now_us = sched_now_us(b->opts.sched);
    if (b->opts.mirror_up && (!b->raised_us || now_us - b->raised_us >= MIRROR_US)) {
        b->raised_us = now_us;
        return;
    }
    if (b->raised_us && (!b->mirror_us || now_us - b->raised_us < b->mirror_us))
        b->mirror_us = now_us - b->raised_us;
    b->raised_us = 0;
    b->busy = true;
    b->call = sched_at(b->opts.sched, sched_now_us(b->opts.sched) + b->opts.lag_us, opens, b);
}

void body_contacts(struct body *b, bool half, bool full)
{
    (void)half; /* it is awake, and focused by hand */
    const bool was = b->full;
    b->full = full;
    if (full && !was) press(b);
    if (!full && was && b->open && b->opts.bulb)
        shuts_at(b, sched_now_us(b->opts.sched) + b->opts.lag_us); /* as late as it opened */
}

int32_t body_frames(const struct body *b)
{
    return b->frames;
}

int64_t body_mirror_us(const struct body *b)
{
    return b->mirror_us;
}

int32_t body_ignored(const struct body *b)
{
    return b->ignored;
}

struct body *body_new(const struct body_opts *opts, struct err *why)
{
    struct body *b = mem_new(1, sizeof *b, why);
    if (!b) return NULL;
    b->opts = *opts;
    if (b->opts.threads < 1) b->opts.threads = 1;
    if (opts->card) snprintf(b->card, sizeof b->card, "%s", opts->card);
    b->on_us = sched_now_us(opts->sched);
    return b;
}

void body_free(struct body *b)
{
    if (!b) return;
    sched_cancel(b->opts.sched, b->call);
    mem_free(b);
}
