#include "firmware/native/native.h"

#include <string.h>

#include "base/mem.h"
#include "firmware/core/core.h"

#define NS_PER_TICK   (1000000000 / WIRE_TICK_HZ)
#define TICKS_PER_US  (WIRE_TICK_HZ / 1000000)
#define STORAGE_BYTES ((size_t)2 * CORE_STORE_SIZE)

struct native_rail {
    struct sched *sched;
    struct native_rail_opts opts;
    struct core core;
    void (*send)(void *arg, const uint8_t *bytes, size_t count);
    void *send_arg;
    sched_id wake;
    int64_t wake_us;
    uint8_t storage[STORAGE_BYTES];
    uint64_t boots;
    int64_t edges, net;
    unsigned told_outputs;
};

/* Ticks since time 0; the core sees the lower half of first_tick plus this. */
static int64_t ticks_now(const struct native_rail *n)
{
    return sched_now_us(n->sched) * TICKS_PER_US;
}

static uint32_t core_time(const struct native_rail *n, int64_t ticks)
{
    return (uint32_t)((uint64_t)ticks + n->opts.first_tick);
}

static uint8_t read_inputs(const struct native_rail *n)
{
    bool near_pressed = false, far_pressed = false, emergency = false;
    if (n->opts.switches) n->opts.switches(n->opts.arg, &near_pressed, &far_pressed);
    if (n->opts.emergency) emergency = n->opts.emergency(n->opts.arg);
    return (uint8_t)((near_pressed ? WIRE_NEAR_OPEN : 0) | (far_pressed ? WIRE_FAR_OPEN : 0) |
                     (emergency ? WIRE_EMERGENCY_OPEN : 0));
}

static bool load(void *arg, uint8_t slot, uint8_t *bytes, uint8_t count)
{
    const struct native_rail *n = arg;
    memcpy(bytes, n->storage + (size_t)slot * CORE_STORE_SIZE, count);
    return true;
}

static bool save(void *arg, uint8_t slot, const uint8_t *bytes, uint8_t count)
{
    struct native_rail *n = arg;
    memcpy(n->storage + (size_t)slot * CORE_STORE_SIZE, bytes, count);
    return true;
}

static void drain(struct native_rail *n)
{
    uint8_t bytes[2 * (WIRE_REPLY_MOST + 2)];
    size_t count = 0;
    if (!n->send) return; /* the boot line waits for whoever connects */
    while (count < sizeof bytes && core_take(&n->core, &bytes[count]))
        count++;
    if (count) n->send(n->send_arg, bytes, count);
}

/* The tick (64 bit) nearest to now that the core calls `tick`. */
static int64_t whole_tick(const struct native_rail *n, int64_t now, uint32_t tick)
{
    return now + (int32_t)(tick - core_time(n, now));
}

static void tell_outputs(struct native_rail *n)
{
    const unsigned now = n->core.outputs;
    if (now == n->told_outputs) return;
    n->told_outputs = now;
    if (n->opts.outputs) n->opts.outputs(n->opts.arg, now);
}

static void run_due(void *arg);

static void wake_at(struct native_rail *n, int64_t ticks)
{
    int64_t at_us = (ticks + TICKS_PER_US - 1) / TICKS_PER_US;
    if (n->wake && n->wake_us == at_us) return;
    sched_cancel(n->sched, n->wake);
    n->wake_us = at_us;
    n->wake = sched_at(n->sched, at_us, run_due, n);
}

/* Steps whose time has come, each at its own tick, then the task; until nothing is due any more. */
static void go_on(struct native_rail *n)
{
    int64_t now = ticks_now(n);
    for (;;) {
        uint32_t step = 0, due = core_task_due(&n->core);
        bool stepping = core_step_due(&n->core, &step);
        int64_t next = whole_tick(n, now, due);
        int64_t step_at = stepping ? whole_tick(n, now, step) : next;
        bool is_step = stepping && step_at <= next;
        if (is_step) next = step_at;
        if (next > now) {
            wake_at(n, next);
            return;
        }
        if (is_step && core_tick(&n->core, read_inputs(n), core_time(n, next))) {
            int dir = core_pin_forward(&n->core) ? 1 : -1;
            n->edges++;
            n->net += dir;
            if (n->opts.edge) n->opts.edge(n->opts.arg, next * NS_PER_TICK, dir);
        }
        core_task(&n->core, read_inputs(n), core_time(n, now));
        tell_outputs(n);
        drain(n);
    }
}

static void run_due(void *arg)
{
    struct native_rail *n = arg;
    n->wake = 0;
    go_on(n);
}

static void boot(struct native_rail *n, enum core_cause cause)
{
    struct core_port port = {.arg = n, .load = load, .save = save};
    uint64_t mixed = (n->opts.seed + ++n->boots) * UINT64_C(0x9e3779b97f4a7c15);
    core_init(&n->core, &port, (uint16_t)(mixed >> 40), cause, read_inputs(n), core_time(n, ticks_now(n)));
    tell_outputs(n);
    drain(n);
    go_on(n);
}

/* A controller as it leaves the bench of whoever set it up: the usual parameters, saved by the wire's own
 * words. */
static void set_up(struct native_rail *n)
{
    struct core_port port = {.arg = n, .load = load, .save = save};
    struct wire_out o;
    uint8_t boot_line;
    core_init(&n->core, &port, 0, CORE_POWER_ON, 0, 0);
    while (core_take(&n->core, &boot_line))
        ;
    wire_begin(&o, 1, WIRE_REQUEST_MOST);
    wire_word(&o, "save");
    if (!wire_end(&o)) return;
    for (uint8_t i = 0; i < o.count; i++)
        core_byte(&n->core, (uint8_t)o.text[i], 0, 0);
}

struct native_rail *native_rail_new(struct sched *sched, const struct native_rail_opts *opts, struct err *why)
{
    struct native_rail *n = mem_new(1, sizeof *n, why);
    if (!n) return NULL;
    n->sched = sched;
    n->opts = *opts;
    memset(n->storage, 0xff, sizeof n->storage);
    if (!opts->blank_storage) set_up(n);
    boot(n, CORE_POWER_ON);
    return n;
}

void native_rail_free(struct native_rail *n)
{
    if (!n) return;
    sched_cancel(n->sched, n->wake);
    mem_free(n);
}

void native_rail_connect(struct native_rail *n, void (*send)(void *arg, const uint8_t *bytes, size_t count),
                         void *arg)
{
    n->send = send;
    n->send_arg = arg;
    drain(n);
}

void native_rail_receive(struct native_rail *n, const uint8_t *bytes, size_t count)
{
    go_on(n); /* real time: what was due before these bytes came */
    for (size_t i = 0; i < count; i++) {
        core_byte(&n->core, bytes[i], read_inputs(n), core_time(n, ticks_now(n)));
        tell_outputs(n);
        drain(n);
    }
    go_on(n);
}

void native_rail_reset(struct native_rail *n)
{
    boot(n, CORE_RESET_PIN);
}

void native_rail_look(struct native_rail *n)
{
    uint32_t now = core_time(n, ticks_now(n));
    core_task(&n->core, read_inputs(n), now);
    core_task(&n->core, read_inputs(n), now);
    tell_outputs(n);
    go_on(n);
}

void native_rail_lose_host(struct native_rail *n)
{
    go_on(n);
    n->core.heard_at -= WIRE_TICK_HZ;
    native_rail_look(n);
}

int64_t native_rail_edges(const struct native_rail *n, int64_t *net_out)
{
    if (net_out) *net_out = n->net;
    return n->edges;
}

unsigned native_rail_outputs(const struct native_rail *n)
{
    return n->core.outputs;
}

uint8_t *native_rail_storage(struct native_rail *n, size_t *count_out)
{
    *count_out = sizeof n->storage;
    return n->storage;
}

const struct core *native_rail_core(const struct native_rail *n)
{
    return &n->core;
}
