#include "device/link_fault.h"

#include <string.h>

#include "base/mem.h"

#define ROOM   8192 /* bytes that are late, one way */
#define CHUNKS 256

struct fault_link;

struct way {
    struct fault_link *link;
    struct link_fault_way how;
    uint64_t state;
    int64_t passed, free_us;
    void (*deliver)(struct fault_link *, const uint8_t *, size_t);
    /* what is late, in order */
    uint8_t late[ROOM];
    size_t late_count;
    struct {
        size_t count;
        sched_id due;
    } chunk[CHUNKS];
    size_t first, waiting;
};

struct fault_link {
    struct link base;
    struct sched *sched;
    struct link *inner;
    struct link_fault_socket *socket;
    bool cut;
    sched_id tell;
    struct way there, back;
    struct link_fault_counts counts;
    struct err why; /* of a late byte that could not be sent */
};

/* xorshift64*: Vigna, "An experimental exploration of Marsaglia's xorshift generators, scrambled", 2016. */
static uint32_t draw(uint64_t *x)
{
    *x ^= *x >> 12;
    *x ^= *x << 25;
    *x ^= *x >> 27;
    return (uint32_t)((*x * UINT64_C(2685821657736338717)) >> 32);
}

static bool strikes(struct way *w, uint32_t one_in)
{
    return one_in && draw(&w->state) % one_in == 0;
}

static void tell_gone(void *arg)
{
    struct fault_link *l = arg;
    l->tell = 0;
    if (l->base.receive) l->base.receive(l->base.receive_arg, NULL, 0);
}

void link_fault_cut(struct link *base)
{
    struct fault_link *l = (struct fault_link *)base;
    if (l->cut) return;
    l->cut = true;
    l->tell = sched_at(l->sched, sched_now_us(l->sched), tell_gone, l);
}

void link_fault_unplug(struct link *base, int64_t replug_at_us)
{
    struct fault_link *l = (struct fault_link *)base;
    if (l->socket) l->socket->back_at_us = replug_at_us;
    link_fault_cut(base);
}

void link_fault_change(struct link *base, const struct link_fault_way *how)
{
    struct fault_link *l = (struct fault_link *)base;
    l->there.how = l->back.how = *how;
}

/* Up to two bytes from one; false: the line is cut here. */
static bool spoil(struct way *w, uint8_t byte, uint8_t out[2], size_t *count)
{
    struct link_fault_counts *c = &w->link->counts;
    *count = 1;
    if (++w->passed == w->how.cut_at) {
        link_fault_cut(&w->link->base);
        return false;
    }
    if (strikes(w, w->how.drop_in)) {
        c->dropped++;
        *count = 0;
        return true;
    }
    if (strikes(w, w->how.corrupt_in)) {
        c->corrupted++;
        byte = (uint8_t)(byte ^ (1 + draw(&w->state) % 255));
    }
    if (strikes(w, w->how.double_in)) {
        c->doubled++;
        *count = 2;
    }
    out[0] = out[1] = byte;
    return true;
}

static void arrive(void *arg)
{
    struct way *w = arg;
    uint8_t bytes[ROOM];
    size_t count = w->chunk[w->first].count;
    memcpy(bytes, w->late, count);
    memmove(w->late, w->late + count, w->late_count - count);
    w->late_count -= count;
    w->first = (w->first + 1) % CHUNKS;
    w->waiting--;
    if (!w->link->cut) w->deliver(w->link, bytes, count);
}

/* What does not fit any more is lost. */
static void put_off(struct way *w, const uint8_t *bytes, size_t count)
{
    if (w->waiting == CHUNKS || w->late_count + count > ROOM) return;
    memcpy(w->late + w->late_count, bytes, count);
    w->late_count += count;
    size_t i = (w->first + w->waiting++) % CHUNKS;
    w->chunk[i].count = count;
    w->chunk[i].due = sched_at(w->link->sched, w->free_us, arrive, w);
}

static void pass(struct way *w, const uint8_t *bytes, size_t count)
{
    struct fault_link *l = w->link;
    uint8_t out[ROOM];
    size_t n = 0, more;
    if (l->cut) return;
    for (size_t i = 0; i < count && n + 2 <= sizeof out && spoil(w, bytes[i], out + n, &more); i++)
        n += more;
    if (strikes(w, w->how.delay_in)) {
        l->counts.delayed++;
        w->free_us = sched_now_us(l->sched) + w->how.delay_us;
    }
    if (!n) return;
    if (w->waiting || w->free_us > sched_now_us(l->sched))
        put_off(w, out, n);
    else
        w->deliver(l, out, n);
}

static void to_controller(struct fault_link *l, const uint8_t *bytes, size_t count)
{
    l->inner->ops->send(l->inner, bytes, count, &l->why);
}

static void to_host(struct fault_link *l, const uint8_t *bytes, size_t count)
{
    if (l->base.receive) l->base.receive(l->base.receive_arg, bytes, count);
}

static int fault_send(struct link *base, const void *bytes, size_t count, struct err *why)
{
    struct fault_link *l = (struct fault_link *)base;
    l->counts.there += (int64_t)count;
    l->why = (struct err){0};
    pass(&l->there, bytes, count);
    if (!l->why.code) return E_OK;
    if (why) *why = l->why;
    return l->why.code;
}

static void fault_receive(void *arg, const uint8_t *bytes, size_t count)
{
    struct fault_link *l = arg;
    l->counts.back += (int64_t)count;
    if (count)
        pass(&l->back, bytes, count);
    else
        link_fault_cut(&l->base);
}

static void forget(struct way *w)
{
    for (; w->waiting; w->waiting--, w->first = (w->first + 1) % CHUNKS)
        sched_cancel(w->link->sched, w->chunk[w->first].due);
}

static void fault_close(struct link *base)
{
    struct fault_link *l = (struct fault_link *)base;
    if (!l) return;
    forget(&l->there);
    forget(&l->back);
    sched_cancel(l->sched, l->tell);
    l->inner->ops->close(l->inner);
    mem_free(l);
}

static const struct link_ops FAULT_OPS = {.name = "a bad line", .send = fault_send, .close = fault_close};

struct link *link_fault_open(struct sched *sched, struct link *inner, const struct link_fault_opts *opts,
                             struct err *why)
{
    bool out = opts->socket && sched_now_us(sched) < opts->socket->back_at_us;
    if (out) fail(why, E_IO, "rail: there is no such port; is the cable in?");
    struct fault_link *l = out ? NULL : mem_new(1, sizeof *l, why);
    if (!l) {
        inner->ops->close(inner);
        return NULL;
    }
    l->socket = opts->socket;
    l->base.ops = &FAULT_OPS;
    l->base.listen_us = inner->listen_us;
    l->sched = sched;
    l->inner = inner;
    l->there =
        (struct way){.link = l, .how = opts->there, .state = opts->seed * 2 + 1, .deliver = to_controller};
    l->back = (struct way){.link = l, .how = opts->back, .state = ~(opts->seed * 2), .deliver = to_host};
    inner->receive = fault_receive;
    inner->receive_arg = l;
    return &l->base;
}

void link_fault_get_counts(const struct link *base, struct link_fault_counts *out)
{
    *out = ((const struct fault_link *)base)->counts;
}
