#include "tests/support/test.h"

#include "tests/support/rail_rig.h"

#include "device/link_pty.h"

/* --- a link around a link, that damages bytes --- */

struct bad_link {
    struct link base;
    struct link *inner;
    const struct rig *rig;
    struct rig_damage damage;
    uint64_t state;
    uint8_t before[512]; /* the reply before */
    size_t before_count;
};

/* xorshift64*: Vigna, "An experimental exploration of Marsaglia's xorshift generators, scrambled", 2016. */
static uint32_t draw(uint64_t *x)
{
    *x ^= *x >> 12;
    *x ^= *x << 25;
    *x ^= *x >> 27;
    return (uint32_t)((*x * UINT64_C(2685821657736338717)) >> 32);
}

static size_t damage(struct bad_link *l, const uint8_t *in, size_t count, uint8_t *out)
{
    size_t n = 0;
    for (size_t i = 0; i < count; i++) {
        if (!l->damage.one_in || draw(&l->state) % l->damage.one_in) {
            out[n++] = in[i];
            continue;
        }
        switch (draw(&l->state) % 3) {
        case 0:
            out[n++] = (uint8_t)draw(&l->state);
            break;
        case 1:
            break;
        default:
            out[n++] = in[i];
            out[n++] = in[i];
        }
    }
    return n;
}

static int bad_send(struct link *base, const void *bytes, size_t count, struct err *why)
{
    struct bad_link *l = (struct bad_link *)base;
    uint8_t out[256];
    size_t n = l->rig->lose_requests ? 0 : damage(l, bytes, count, out);
    return n ? l->inner->ops->send(l->inner, out, n, why) : E_OK;
}

static void bad_receive(void *arg, const uint8_t *bytes, size_t count)
{
    struct bad_link *l = arg;
    uint8_t out[512];
    size_t n = l->rig->lose_replies ? 0 : damage(l, bytes, count, out);
    if (!n || !l->base.receive) return;
    if (l->rig->double_replies && l->before_count)
        l->base.receive(l->base.receive_arg, l->before, l->before_count);
    memcpy(l->before, out, n);
    l->before_count = n;
    l->base.receive(l->base.receive_arg, out, n);
}

static void bad_close(struct link *base)
{
    struct bad_link *l = (struct bad_link *)base;
    if (!l) return;
    l->inner->ops->close(l->inner);
    free(l);
}

static const struct link_ops BAD_OPS = {.name = "a bad cable", .send = bad_send, .close = bad_close};

static struct link *damaged(const struct rig *rig, struct link *inner, struct rig_damage how)
{
    struct bad_link *l = calloc(1, sizeof *l);
    assert_non_null(l);
    *l = (struct bad_link){.base.ops = &BAD_OPS,
                           .base.listen_us = inner->listen_us,
                           .inner = inner,
                           .rig = rig,
                           .damage = how,
                           .state = how.seed * 2 + 1};
    inner->receive = bad_receive;
    inner->receive_arg = l;
    return &l->base;
}

/* --- the carriage --- */

static void on_edge(void *arg, int64_t at_ns, int dir)
{
    struct rig *g = arg;
    g->place += dir;
    g->pulses++;
    if (g->edges < RIG_EDGES) {
        g->edge_ns[g->edges] = at_ns;
        g->edge_dir[g->edges++] = (int8_t)dir;
    }
}

static void on_switches(void *arg, bool *near_pressed, bool *far_pressed)
{
    struct rig *g = arg;
    *near_pressed = g->place <= 0 || g->near_stuck || g->wire_broken;
    *far_pressed = g->place >= g->length || g->far_stuck || g->wire_broken;
    if (g->far_glitches > 0) {
        g->far_glitches--;
        *far_pressed = true;
    }
}

static bool on_emergency(void *arg)
{
    return ((const struct rig *)arg)->emergency;
}

static void on_notice(void *arg)
{
    struct rig *g = arg;
    bool rests = rig_state(g).phase == AXIS_REST;
    g->notices++;
    if (!rests)
        g->rest_seen_us = -1;
    else if (g->rest_seen_us < 0)
        g->rest_seen_us = sched_now_us(g->sched);
}

static void on_heard(void *arg, const uint8_t *bytes, size_t count)
{
    struct rig *g = arg;
    if (g->heard_count + count >= sizeof g->heard) g->heard_count = 0;
    memcpy(g->heard + g->heard_count, bytes, count);
    g->heard_count += count;
    g->heard[g->heard_count] = '\0';
}

/* The same for a controller in another process. */
static unsigned on_inputs(void *arg, int64_t *sure_edges)
{
    struct rig *g = arg;
    bool near_pressed, far_pressed;
    int64_t near_way = llabs(g->place), far_way = llabs(g->length - g->place);
    on_switches(g, &near_pressed, &far_pressed);
    *sure_edges = near_way < far_way ? near_way : far_way;
    *sure_edges -= *sure_edges > 0;
    return (near_pressed ? INPUT_NEAR : 0u) | (far_pressed ? INPUT_FAR : 0u) |
           (g->emergency ? INPUT_EMERGENCY : 0u);
}

static void open_here(struct rig *g, const struct rig_opts *o)
{
    struct native_rail_opts native = o->native;
    struct err why = {0};
    g->sched = sched_new_virtual(NULL);
    native.arg = g;
    native.edge = on_edge;
    native.switches = on_switches;
    native.emergency = on_emergency;
    g->controller = native_rail_new(g->sched, &native, &why);
    assert_non_null(g->controller);
    g->link = link_mem_open(g->sched, g->controller, &o->link, &why);
    assert_non_null(g->link);
}

static void open_there(struct rig *g, const struct rig_opts *o)
{
    static int worlds;
    char world[200], seed[24], baud[24];
    struct world_port_user user = {g, on_edge, on_inputs};
    struct err why = {0};
    snprintf(world, sizeof world, "%s/world-%d", test_folder(), worlds++);
    snprintf(seed, sizeof seed, "%u", (unsigned)o->native.seed);
    snprintf(baud, sizeof baud, "%d", o->link.baud ? (int)o->link.baud : 250000);
    g->sched = sched_new_real(NULL);
    assert_int_equal(world_port_open(g->sched, world, &user, &g->port, &why), 0);
    virtual_rail_start(&g->process,
                       (const char *const[]){"--world", world, "--seed", seed, "--baud", baud, NULL});
    if (link_pty_open(g->sched, g->process.port, &g->link, &why)) fail_msg("%s", why.text);
}

struct rig *rig_open(const struct rig_opts *o)
{
    struct rig *g = calloc(1, sizeof *g);
    struct axis_rail_opts axis = o->axis;
    struct err why = {0};
    assert_non_null(g);
    g->place = o->stands_at ? o->stands_at : 5000;
    g->length = o->length ? o->length : 100000;
    g->edge_ns = calloc(RIG_EDGES, sizeof *g->edge_ns);
    g->edge_dir = calloc(RIG_EDGES, 1);
    g->rest_seen_us = -1;
    if (o->pty)
        open_there(g, o);
    else
        open_here(g, o);
    if (!axis.baud) axis.baud = o->link.baud;
    if (o->no_axis) {
        g->link->receive = on_heard;
        g->link->receive_arg = g;
        return g;
    }
    g->link = damaged(g, g->link, o->damage);
    assert_int_equal(axis_rail_open(g->sched, g->link, &axis, &g->axis, &why), 0);
    g->axis->notice = on_notice;
    g->axis->notice_arg = g;
    return g;
}

void rig_close(struct rig *g)
{
    if (g->axis)
        axis_close(g->axis);
    else
        g->link->ops->close(g->link);
    native_rail_free(g->controller);
    if (g->port) virtual_rail_stop(&g->process, NULL, NULL);
    world_port_close(g->port);
    sched_free(g->sched);
    free(g->edge_ns);
    free(g->edge_dir);
    free(g);
}

void rig_run_us(struct rig *g, int64_t us)
{
    int64_t until = sched_now_us(g->sched) + us;
    while (sched_step(g->sched, until))
        ;
}

struct axis_state rig_state(struct rig *g)
{
    struct axis_state st;
    assert_int_equal(axis_poll(g->axis, &st, NULL), 0);
    return st;
}

bool rig_until(struct rig *g, enum axis_phase phase, int64_t most_us)
{
    int64_t until = sched_now_us(g->sched) + most_us;
    while (rig_state(g).phase != phase)
        if (!sched_step(g->sched, until)) return false;
    if (g->port) world_port_catch_up(g->port);
    return true;
}

void rig_forget_edges(struct rig *g)
{
    g->edges = 0;
}

/* --- speaking for oneself --- */

const char *rig_line(uint8_t seq, const char *words)
{
    static char line[128];
    uint16_t crc = 0xffff;
    int n = snprintf(line, sizeof line, "%02x %02x %s ", seq, (unsigned)strlen(words) + 11, words);
    for (int i = 0; i < n; i++) {
        crc = (uint16_t)(crc ^ (uint8_t)line[i]);
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)((crc & 1) ? (crc >> 1) ^ 0x8408 : crc >> 1);
    }
    snprintf(line + n, sizeof line - (size_t)n, "%04x\n", crc);
    return line;
}

const char *rig_send(struct rig *g, const char *bytes, int64_t us)
{
    g->heard_count = 0;
    g->heard[0] = '\0';
    assert_int_equal(g->link->ops->send(g->link, bytes, strlen(bytes), NULL), 0);
    rig_run_us(g, us);
    return g->heard;
}

const char *rig_say(struct rig *g, const char *words)
{
    g->seq = g->seq == 0xff ? 1 : (uint8_t)(g->seq + 1);
    char *reply = (char *)(uintptr_t)rig_send(g, rig_line(g->seq, words), 10000);
    size_t n = strlen(reply);
    if (n < 16) return "";
    reply[n - 6] = '\0'; /* the space, the checksum and LF */
    return reply + 11;   /* SEQ LEN NONCE */
}
