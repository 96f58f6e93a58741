#include "device/link_mem.h"

#include <string.h>

#include "base/mem.h"

#define CHUNK_MOST 128
#define CHUNKS     64

/* One direction of the line. Chunks are on their way in the order in which they were sent. */
struct wire_way {
    struct link_mem *link;
    int64_t free_ns; /* when the line has sent its last byte */
    struct chunk {
        uint8_t bytes[CHUNK_MOST];
        size_t count;
        sched_id due;
    } chunk[CHUNKS];
    size_t first, waiting;
    void (*deliver)(struct link_mem *, const uint8_t *, size_t);
};

struct link_mem {
    struct link base;
    struct sched *sched;
    struct native_rail *rail;
    int64_t latency_us, byte_ns;
    struct wire_way there, back;
};

static void arrive(void *arg)
{
    struct wire_way *w = arg;
    struct chunk c = w->chunk[w->first];
    w->first = (w->first + 1) % CHUNKS;
    w->waiting--;
    w->deliver(w->link, c.bytes, c.count);
}

/* What a full line cannot take is lost, as on a real one. */
static void travel(struct wire_way *w, const uint8_t *bytes, size_t count)
{
    struct link_mem *l = w->link;
    int64_t now_ns = sched_now_us(l->sched) * 1000;
    if (w->free_ns < now_ns) w->free_ns = now_ns;
    while (count && w->waiting < CHUNKS) {
        struct chunk *c = &w->chunk[(w->first + w->waiting++) % CHUNKS];
        c->count = count < CHUNK_MOST ? count : CHUNK_MOST;
        memcpy(c->bytes, bytes, c->count);
        bytes += c->count;
        count -= c->count;
        w->free_ns += (int64_t)c->count * l->byte_ns;
        c->due = sched_at(l->sched, (w->free_ns + 999) / 1000 + l->latency_us, arrive, w);
    }
}

static void to_controller(struct link_mem *l, const uint8_t *bytes, size_t count)
{
    native_rail_receive(l->rail, bytes, count);
}

static void to_host(struct link_mem *l, const uint8_t *bytes, size_t count)
{
    if (l->base.receive) l->base.receive(l->base.receive_arg, bytes, count);
}

static void from_controller(void *arg, const uint8_t *bytes, size_t count)
{
    struct link_mem *l = arg;
    travel(&l->back, bytes, count);
}

static int mem_send(struct link *base, const void *bytes, size_t count, struct err *why)
{
    (void)why;
    struct link_mem *l = (struct link_mem *)base;
    travel(&l->there, bytes, count);
    return E_OK;
}

/* What the host had sent still arrives; what was on its way back has nobody to go to. */
static void finish(struct wire_way *w)
{
    while (w->waiting) {
        sched_cancel(w->link->sched, w->chunk[w->first].due);
        arrive(w);
    }
}

static void mem_close(struct link *base)
{
    struct link_mem *l = (struct link_mem *)base;
    if (!l) return;
    l->base.receive = NULL;
    native_rail_connect(l->rail, NULL, NULL);
    finish(&l->there);
    finish(&l->back);
    mem_free(l);
}

static const struct link_ops MEM_OPS = {.name = "in this process", .send = mem_send, .close = mem_close};

struct link *link_mem_open(struct sched *sched, struct native_rail *rail, const struct link_mem_opts *opts,
                           struct err *why)
{
    struct link_mem *l = mem_new(1, sizeof *l, why);
    if (!l) return NULL;
    int64_t latency_us = opts ? opts->latency_us : 0;
    int64_t baud = opts && opts->baud ? opts->baud : 250000;
    l->base.ops = &MEM_OPS;
    l->sched = sched;
    l->rail = rail;
    l->latency_us = latency_us < 0 ? 0 : latency_us ? latency_us : 1000;
    l->byte_ns = INT64_C(10) * 1000000000 / baud;
    l->there = (struct wire_way){.link = l, .deliver = to_controller};
    l->back = (struct wire_way){.link = l, .deliver = to_host};
    native_rail_connect(rail, from_controller, l);
    return &l->base;
}
