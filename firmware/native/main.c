/* main.c - staddle-virtual-rail: the rail controller's firmware behind a pseudo-terminal, in real time. What
 * its motor moves is a world in another process (--world), or a bare track with a switch at each end. */
#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <sys/signalfd.h>
#include <unistd.h>

#include "base/mem.h"
#include "firmware/native/rail_port.h"
#include "sim/world_port.h"

#define TRAVEL_STEPS 160000 /* 100 mm at 0.625 um; our choice */
#define PLACE_STEPS  8000   /* of the carriage at first, from the near switch; our choice */
#define KNOCK_US     200000 /* how often a world that is not there yet is looked for */

static const char HELP[] =
    "usage: staddle-virtual-rail [OPTION...]\n\n"
    "The rail controller's firmware behind a pseudo-terminal, in real time. Prints the port's path, to be\n"
    "given as axis.link in a bench file; ends with Ctrl-C or SIGTERM.\n\n"
    "  --link PATH           make a symbolic link to the port, removed at the end\n"
    "  --world PATH          move the world that listens there, as axis.world of a bench file says; without\n"
    "                        it, a bare track with a switch at each end\n"
    "  --travel STEPS        length of that track (default 160000)\n"
    "  --reset-on-open WHEN  off: never (default); on: each opening of the port restarts the controller;\n"
    "                        dtr: as common boards, unless the last host left HUPCL cleared\n"
    "  --start-ms MS         from such a reset until the controller listens (default 0)\n"
    "  --baud N              speed of the line: 250000 (default), or 9600 to 4000000\n"
    "  --seed N              of the number that tells one start from another (default: by chance)\n"
    "  --help                this text\n";

struct options {
    const char *world;
    int64_t travel, seed;
    struct rail_port_opts port;
};

struct rail_program {
    struct options options;
    struct sched *sched;
    struct native_rail *rail;
    struct rail_port *port;
    struct world_line *world;
    sched_id knock;
    bool lost; /* an edge went out that no world took */
    int64_t place;
    int signals;
    bool end;
};

/* --- options --- */

static int whole(const char *option, const char *text, int64_t least, int64_t most, int64_t *out,
                 struct err *why)
{
    char *end;
    errno = 0;
    long long n = strtoll(text, &end, 10);
    if (errno || end == text || *end || n < least || n > most)
        return fail(why, E_INPUT, "%s %s: give a whole number, %lld to %lld", option, text, (long long)least,
                    (long long)most);
    *out = n;
    return E_OK;
}

static int take_reset(const char *text, enum rail_reset *out, struct err *why)
{
    static const char *const WORDS[] = {"off", "on", "dtr"};
    for (size_t i = 0; i < sizeof WORDS / sizeof *WORDS; i++)
        if (!strcmp(text, WORDS[i])) {
            *out = (enum rail_reset)i;
            return E_OK;
        }
    return fail(why, E_INPUT, "--reset-on-open %s: say off, on or dtr", text);
}

static int take_option(struct options *o, const char *option, const char *value, struct err *why)
{
    int64_t n = 0;
    int rc = E_OK;
    if (!strcmp(option, "--link")) {
        o->port.link = value;
    } else if (!strcmp(option, "--world")) {
        o->world = value;
    } else if (!strcmp(option, "--travel")) {
        rc = whole(option, value, 1000, 1000000000, &o->travel, why);
    } else if (!strcmp(option, "--seed")) {
        rc = whole(option, value, 0, INT64_MAX, &o->seed, why);
    } else if (!strcmp(option, "--reset-on-open")) {
        rc = take_reset(value, &o->port.reset, why);
    } else if (!strcmp(option, "--start-ms")) {
        rc = whole(option, value, 0, 60000, &n, why);
        o->port.start_us = n * 1000;
    } else if (!strcmp(option, "--baud")) {
        rc = whole(option, value, 9600, 4000000, &n, why);
        o->port.baud = (int32_t)n;
    } else {
        rc = fail(why, E_INPUT, "%s: no such option; see --help", option);
    }
    return rc;
}

static int take_options(struct options *o, int argc, char **argv, struct err *why)
{
    for (int i = 1; i < argc; i += 2) {
        if (i + 1 == argc) return fail(why, E_INPUT, "%s: no such option, or no value; see --help", argv[i]);
        int rc = take_option(o, argv[i], argv[i + 1], why);
        if (rc) return rc;
    }
    return E_OK;
}

/* --- what the controller moves --- */

static void look(void *arg)
{
    native_rail_look(((struct rail_program *)arg)->rail);
}

/* A world just found is a bench just switched on. */
static void find_world(void *arg)
{
    struct rail_program *p = arg;
    sched_cancel(p->sched, p->knock);
    p->knock = 0;
    if (!p->options.world || world_line_there(p->world)) return;
    world_line_close(p->world);
    p->world = NULL;
    if (!world_line_open(p->sched, p->options.world, look, p, &p->world, NULL)) {
        p->lost = false;
        native_rail_reset(p->rail);
    }
}

static void on_edge(void *arg, int64_t at_ns, int dir)
{
    struct rail_program *p = arg;
    if (!p->options.world)
        p->place += dir;
    else if (!p->world || !world_line_edge(p->world, at_ns, dir))
        p->lost = true;
}

static unsigned inputs(struct rail_program *p)
{
    if (p->options.world) return p->world ? world_line_inputs(p->world) : 0;
    return (p->place <= 0 ? INPUT_NEAR : 0u) | (p->place >= p->options.travel ? INPUT_FAR : 0u);
}

static void on_switches(void *arg, bool *near_pressed, bool *far_pressed)
{
    unsigned now = inputs(arg);
    *near_pressed = now & INPUT_NEAR;
    *far_pressed = now & INPUT_FAR;
}

static bool on_emergency(void *arg)
{
    struct rail_program *p = arg;
    return p->lost || (inputs(p) & INPUT_EMERGENCY);
}

/* --- the program --- */

static void on_signal(void *arg)
{
    struct rail_program *p = arg;
    struct signalfd_siginfo which;
    if (read(p->signals, &which, sizeof which) == sizeof which) p->end = true;
}

static int watch_signals(struct rail_program *p, struct err *why)
{
    sigset_t set;
    sigemptyset(&set);
    sigaddset(&set, SIGTERM);
    sigaddset(&set, SIGINT);
    sigaddset(&set, SIGHUP);
    signal(SIGPIPE, SIG_IGN);
    sigprocmask(SIG_BLOCK, &set, NULL);
    p->signals = signalfd(-1, &set, SFD_CLOEXEC);
    if (p->signals < 0) return fail_errno(why, E_IO, "signals");
    return sched_watch(p->sched, p->signals, on_signal, p, why);
}

static uint64_t chance(void)
{
    uint64_t n = 0;
    return getrandom(&n, sizeof n, 0) == sizeof n ? n : (uint64_t)getpid();
}

static int set_up(struct rail_program *p, struct err *why)
{
    p->sched = sched_new_real(why);
    if (!p->sched) return E_NOMEM;
    int rc = watch_signals(p, why);
    if (rc) return rc;
    struct native_rail_opts o = {.arg = p,
                                 .edge = on_edge,
                                 .switches = on_switches,
                                 .emergency = on_emergency,
                                 .seed = p->options.seed < 0 ? chance() : (uint64_t)p->options.seed};
    p->rail = native_rail_new(p->sched, &o, why);
    if (!p->rail) return E_NOMEM;
    p->options.port.opened = find_world;
    p->options.port.arg = p;
    return rail_port_open(p->sched, p->rail, &p->options.port, &p->port, why);
}

static void go_on(struct rail_program *p)
{
    while (!p->end) {
        if (p->options.world && !p->knock && !world_line_there(p->world))
            p->knock = sched_at(p->sched, sched_now_us(p->sched) + KNOCK_US, find_world, p);
        sched_step(p->sched, SCHED_NEVER);
        if (p->world) world_line_flush(p->world);
    }
}

static void clear(struct rail_program *p)
{
    rail_port_close(p->port);
    world_line_close(p->world);
    native_rail_free(p->rail);
    if (p->signals >= 0) close(p->signals);
    sched_free(p->sched);
}

int main(int argc, char **argv)
{
    struct rail_program p = {
        .options = {.travel = TRAVEL_STEPS, .seed = -1}, .place = PLACE_STEPS, .signals = -1};
    struct err why = {0};
    if (argc == 2 && !strcmp(argv[1], "--help")) {
        fputs(HELP, stdout);
        return 0;
    }
    int rc = take_options(&p.options, argc, argv, &why);
    if (!rc) rc = set_up(&p, &why);
    if (rc) {
        fprintf(stderr, "staddle-virtual-rail: %s\n", why.text);
        clear(&p);
        return err_exit_status((enum errc)rc);
    }
    printf("%s\n", rail_port_name(p.port));
    fflush(stdout);
    go_on(&p);
    int64_t net, edges = native_rail_edges(p.rail, &net);
    printf("%lld pulses, %lld net, %lld restarts by opening\n", (long long)edges, (long long)net,
           (long long)rail_port_resets(p.port));
    clear(&p);
    return 0;
}
