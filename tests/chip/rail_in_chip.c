/* rail_in_chip.c - the virtual controller's face (firmware/native/native.h) with the simulated chip behind
 * it, paced 1:1 with the clock. Linked into the same program as the native one, it makes a
 * staddle-virtual-rail whose motor is moved by the ELF.
 *
 * The chip runs up to now, every half millisecond; its edges bear the time of their cycle. */
#include "firmware/native/native.h"
#include "staddle/wire.h"
#include "tests/chip/chip.h"
#include "tests/support/test.h"

#define PACE_US 500
#define SLIP_US 5000

struct native_rail {
    struct sched *sched;
    struct native_rail_opts opts;
    struct board *chip;
    int64_t began_us, began_cycle, pulses_before, net_before;
    sched_id wake;
    bool running;
    void (*send)(void *arg, const uint8_t *bytes, size_t count);
    void *send_arg;
};

static void look_at_inputs(struct native_rail *n)
{
    bool near_pressed = false, far_pressed = false, emergency = false;
    if (n->opts.switches) n->opts.switches(n->opts.arg, &near_pressed, &far_pressed);
    if (n->opts.emergency) emergency = n->opts.emergency(n->opts.arg);
    n->chip->ops->inputs(n->chip, (near_pressed ? WIRE_NEAR_OPEN : 0u) | (far_pressed ? WIRE_FAR_OPEN : 0u) |
                                      (emergency ? WIRE_EMERGENCY_OPEN : 0u));
}

static void on_edge(struct board *b, void *arg)
{
    struct native_rail *n = arg;
    const struct edge *e = &b->edge[b->edges - 1];
    int64_t at_ns = n->began_us * 1000 + (e->cycle - n->began_cycle) * 1000 / CYCLES_US;
    if (n->opts.edge) n->opts.edge(n->opts.arg, at_ns, e->dir);
    b->edges = 0;
    look_at_inputs(n);
}

static void on_byte(void *arg, uint8_t byte)
{
    struct native_rail *n = arg;
    if (n->send) n->send(n->send_arg, &byte, 1);
}

/* Not again from within: what the chip says may be answered at once. Where the machine is too busy for the
 * pace, the chip's time slips rather than the line being left alone. */
static void catch_up(struct native_rail *n)
{
    if (n->running) return;
    n->running = true;
    int64_t stands_us = n->began_us + (n->chip->now - n->began_cycle) / CYCLES_US;
    int64_t behind_us = sched_now_us(n->sched) - stands_us;
    if (behind_us > SLIP_US) {
        n->began_us += behind_us - SLIP_US;
        behind_us = SLIP_US;
    }
    if (behind_us > 0) n->chip->ops->run(n->chip, behind_us * CYCLES_US);
    n->chip->words = 0;
    n->running = false;
}

static void pace(void *arg)
{
    struct native_rail *n = arg;
    catch_up(n);
    n->wake = sched_at(n->sched, sched_now_us(n->sched) + PACE_US, pace, n);
}

struct native_rail *native_rail_new(struct sched *sched, const struct native_rail_opts *opts, struct err *why)
{
    (void)why;
    struct native_rail *n = calloc(1, sizeof *n);
    assert_non_null(n);
    n->sched = sched;
    n->opts = *opts;
    n->chip = board_chip();
    n->pulses_before = n->chip->pulses;
    n->net_before = n->chip->net;
    n->chip->on_edge = on_edge;
    n->chip->arg = n;
    chip_on_byte(n->chip, on_byte, n);
    n->began_us = sched_now_us(sched);
    n->began_cycle = n->chip->now;
    look_at_inputs(n);
    pace(n);
    return n;
}

void native_rail_free(struct native_rail *n)
{
    if (!n) return;
    sched_cancel(n->sched, n->wake);
    board_close(n->chip);
    free(n);
}

void native_rail_connect(struct native_rail *n, void (*send)(void *arg, const uint8_t *bytes, size_t count),
                         void *arg)
{
    n->send = send;
    n->send_arg = arg;
}

void native_rail_receive(struct native_rail *n, const uint8_t *bytes, size_t count)
{
    catch_up(n);
    n->chip->ops->send(n->chip, (const char *)bytes, count);
}

void native_rail_reset(struct native_rail *n)
{
    catch_up(n);
    n->chip->ops->reset(n->chip);
    look_at_inputs(n);
}

void native_rail_look(struct native_rail *n)
{
    catch_up(n);
    look_at_inputs(n);
}

int64_t native_rail_edges(const struct native_rail *n, int64_t *net_out)
{
    if (net_out) *net_out = n->chip->net - n->net_before;
    return n->chip->pulses - n->pulses_before;
}
