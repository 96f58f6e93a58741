/* From a wish to the first slower pulse, over a pseudo-terminal in real time: printed, and judged mildly,
 * since on a busy machine nobody can say more (tests/flow/test_halt.c judges, in virtual time). The pulses
 * come from the virtual rail with the time at which they were due. */
#include "tests/support/test.h"

#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include "run/wishes.h"
#include "tests/support/small.h"
#include "tests/support/virtual_rail.h"

#define PULSES_MOST 200000
/* Pulses in a row: at full speed, 3200 a second, which takes 0.1 s or 160 of them to reach. */
#define FLYING      600
#define PAUSE_NS    20000000
#define HOPELESS_US 2000000

struct watch {
    int64_t at_ns[PULSES_MOST];
    int32_t count, since_pause;
    int way;
    const char *dir;
    struct rig *rig;
    bool homed;
    int64_t wished_us; /* 0: not yet */
    pid_t child;
};

static struct watch seen;

enum { CTRL_C, POLITE, SOCKET, WAYS };
static const char *const NAMES[WAYS] = {"Ctrl-C twice", "SIGTERM twice",
                                        "'staddle stop --now', its start included"};

static void ask(struct watch *w)
{
    w->child = fork();
    if (w->child) return;
    execl(built("staddle"), "staddle", "stop", "--now", "--quiet", w->dir, (char *)NULL);
    _exit(127);
}

static void wish(struct watch *w)
{
    w->wished_us = sched_now_us(w->rig->sched);
    if (w->way == SOCKET) ask(w);
    for (int i = 0; w->way != SOCKET && i < 2; i++)
        raise(w->way == CTRL_C ? SIGINT : SIGTERM);
}

/* In the middle of the first long move after homing. */
static void note(void *arg, int64_t at_ns, int dir)
{
    struct watch *w = arg;
    (void)dir;
    bool pause = w->count && at_ns - w->at_ns[w->count - 1] > PAUSE_NS;
    assert_true(w->count < PULSES_MOST);
    w->since_pause = pause ? 0 : w->since_pause + 1;
    w->at_ns[w->count++] = at_ns;
    if (w->homed && !w->wished_us && w->since_pause >= FLYING) wish(w);
}

/* Called before each event of the run. */
static bool look(void *arg, int64_t events)
{
    struct watch *w = arg;
    struct axis_state st;
    (void)events;
    assert_int_equal(axis_poll(w->rig->axis, &st, NULL), 0);
    if (st.known == AXIS_KNOWN && st.phase == AXIS_REST) w->homed = true;
    return false;
}

static void opened(void *arg, struct rig *r, struct store *st)
{
    struct watch *w = arg;
    (void)st;
    w->rig = r;
    world_watch_steps(r->world, note, w);
}

/* The first pulse after the wish that comes later than any at full speed, by more than the scatter of 1 %. */
static int64_t slower_us(const struct watch *w)
{
    int64_t cruise = 0;
    int32_t i = w->count - 1;
    while (i > 1 && w->at_ns[i] > w->wished_us * 1000)
        i--;
    for (int32_t k = i - 200; k < i; k++)
        if (w->at_ns[k + 1] - w->at_ns[k] > cruise) cruise = w->at_ns[k + 1] - w->at_ns[k];
    while (i + 1 < w->count && w->at_ns[i + 1] - w->at_ns[i] <= cruise + cruise / 100)
        i++;
    return w->at_ns[i < w->count - 1 ? i + 1 : i] / 1000 - w->wished_us;
}

static void halt(int way, const char *name, const char *port, const char *world)
{
    struct shoot_job job;
    struct run_result r;
    struct err why = {0};
    int status;
    static const struct small s = {.width_px = 64, .height_px = 48, .slices = 2, .settle_ms = 100};
    small_job(name, &s, &job);
    snprintf(job.bench.axis.link, sizeof job.bench.axis.link, "%s", port);
    snprintf(job.bench.axis.world, sizeof job.bench.axis.world, "%s", world);
    memset(&seen, 0, sizeof seen);
    seen.way = way;
    seen.dir = small_path(name);
    assert_int_equal(wishes_listen(&why), 0);
    struct shoot_opts o = {
        .dir = seen.dir, .workers = 1, .opened = opened, .killed = look, .killed_arg = &seen, .arg = &seen};
    int rc = shoot_new(&job, &o, &r, &why);
    wishes_ignore();
    if (rc != E_PAUSED) print_error("%s\n", why.text);
    assert_int_equal(rc, E_PAUSED);
    assert_int_equal(r.end, RUN_HALTED);
    assert_true(seen.wished_us > 0);
    if (seen.child) {
        assert_int_equal(waitpid(seen.child, &status, 0), seen.child);
        assert_true(WIFEXITED(status) && !WEXITSTATUS(status));
    }
    int64_t us = slower_us(&seen);
    print_message("measured: halt by %s over a pty in real time: first slower pulse after %.1f ms\n",
                  NAMES[way], (double)us / 1000);
    assert_in_range(us, 0, HOPELESS_US);
    run_result_clear(&r);
    shoot_job_clear(&job);
}

static void over_a_pseudo_terminal_the_rail_slows_down_soon(void **state)
{
    (void)state;
    char world[600], name[32];
    for (int way = 0; way < WAYS; way++) {
        struct virtual_rail rail;
        snprintf(name, sizeof name, "halt-%d", way);
        snprintf(world, sizeof world, "%s-world", small_path(name));
        virtual_rail_start(&rail, (const char *const[]){"--world", world, NULL});
        halt(way, name, rail.port, world);
        assert_int_equal(virtual_rail_stop(&rail, NULL, NULL), 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(over_a_pseudo_terminal_the_rail_slows_down_soon)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
