/* here.c - a board that is firmware/native under the virtual clock. */
#include "tests/chip/board.h"

#include "base/sched.h"
#include "firmware/core/core.h"
#include "firmware/native/native.h"
#include "tests/support/test.h"

struct here {
    struct board base;
    struct sched *sched;
    struct native_rail *rail;
    unsigned open;
    uint8_t head;
    bool in_edge; /* the core is in its tick: it looks by itself */
};

static struct here *of(struct board *b)
{
    return (struct here *)b;
}

static void on_edge(void *arg, int64_t at_ns, int dir)
{
    struct here *h = arg;
    h->in_edge = true;
    board_note_edge(&h->base, at_ns * CYCLES_US / 1000, dir);
    h->in_edge = false;
}

static void on_switches(void *arg, bool *near_pressed, bool *far_pressed)
{
    const struct here *h = arg;
    *near_pressed = h->open & WIRE_NEAR_OPEN;
    *far_pressed = h->open & WIRE_FAR_OPEN;
}

static bool on_emergency(void *arg)
{
    return ((const struct here *)arg)->open & WIRE_EMERGENCY_OPEN;
}

static void on_bytes(void *arg, const uint8_t *bytes, size_t count)
{
    struct here *h = arg;
    for (size_t i = 0; i < count; i++)
        board_note_byte(&h->base, bytes[i]);
}

static void note_runs(struct here *h)
{
    const struct core *c = native_rail_core(h->rail);
    for (; h->head != c->head; h->head++) {
        const struct core_run *r = &c->queue[h->head & (CORE_QUEUE - 1)];
        board_note_run(&h->base, &(struct run_words){(uint32_t)r->high << 16 | r->low,
                                                     (uint32_t)r->far << 16 | r->every, r->part, r->more,
                                                     r->steps, (uint32_t)r->last});
    }
}

static void run(struct board *b, int64_t cycles)
{
    struct here *h = of(b);
    int64_t until_us = (b->now + cycles) / CYCLES_US;
    while (sched_now_us(h->sched) < until_us) {
        sched_step(h->sched, until_us);
        note_runs(h);
    }
    b->now = sched_now_us(h->sched) * CYCLES_US;
}

static void send(struct board *b, const char *bytes, size_t count)
{
    struct here *h = of(b);
    for (size_t i = 0; i < count; i++) {
        run(b, CYCLES_BYTE);
        native_rail_receive(h->rail, (const uint8_t *)bytes + i, 1);
        note_runs(h);
    }
}

static void inputs(struct board *b, unsigned open)
{
    of(b)->open = open;
    if (!of(b)->in_edge) native_rail_look(of(b)->rail);
}

static unsigned outputs(struct board *b)
{
    return native_rail_outputs(of(b)->rail);
}

static void reset(struct board *b)
{
    native_rail_reset(of(b)->rail);
    of(b)->head = native_rail_core(of(b)->rail)->head;
    b->seq = 0;
}

static void close_here(struct board *b)
{
    native_rail_free(of(b)->rail);
    sched_free(of(b)->sched);
    free(b);
}

struct board *board_here(void)
{
    static const struct board_ops OPS = {"here", run, send, inputs, outputs, reset, close_here};
    struct here *h = calloc(1, sizeof *h);
    assert_non_null(h);
    h->base.ops = &OPS;
    h->sched = sched_new_virtual(NULL);
    assert_non_null(h->sched);
    struct native_rail_opts o = {
        .arg = h, .edge = on_edge, .switches = on_switches, .emergency = on_emergency, .seed = 1};
    h->rail = native_rail_new(h->sched, &o, NULL);
    assert_non_null(h->rail);
    native_rail_connect(h->rail, on_bytes, h);
    run(&h->base, CYCLES_MS);
    board_forget(&h->base);
    return &h->base;
}
