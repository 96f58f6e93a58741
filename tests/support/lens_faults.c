#include "tests/support/lens_faults.h"

#include <signal.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

#include "tests/support/emulated_stack.h"
#include "tests/support/test.h"

#define AT_ONCE  8
#define NTH      5
#define PARKS    23 /* counts: most of a spacing */
#define SPACING  30
#define OFF_MOST 8 /* counts: a quarter of a spacing, as refound by picture */
#define PHASES   6

static const char *const PHASE_NAMES[] = {"",         "before trigger", "trigger sent", "announced",
                                          "transfer", "transferred",    "between"};
static const char *const BLOW_NAMES[] = {"busy", "error", "full", "cut", "mute", "hung", "killed", "away"};

struct cell {
    bool done;
    struct emulated_result result;
};

static void strike(void *arg, enum ptp_blow blow)
{
    const int program = emulated_program(0);
    (void)arg;
    if (program) kill(program, blow == PTP_KILLED ? SIGKILL : SIGSTOP);
}

static void shoot(enum ptp_family family, enum ptp_phase phase, enum ptp_blow blow, struct cell *out)
{
    char folder[32];
    snprintf(folder, sizeof folder, "cell-%d-%d", (int)phase, (int)blow);
    const struct emulated_job j = {
        .family = family,
        .slices = 4,
        .spacing_counts = SPACING,
        .backlash_counts = 4,
        .folder = folder,
        .camera.harm = {.phase = phase, .blow = blow, .nth = NTH, .parks = PARKS, .struck = strike}};
    emulated_shoot(&j, &out->result);
    out->done = true;
}

/* Forked, so that several wait at once. */
static int begin(enum ptp_family family, enum ptp_phase phase, enum ptp_blow blow, struct cell *out)
{
    fflush(NULL);
    const int pid = fork();
    assert_true(pid >= 0);
    if (pid) return pid;
    shoot(family, phase, blow, out); /* a test that fails ends the process */
    _exit(out->done ? 0 : 1);
}

/* A frame may be shot again when it was caught between the trigger and its record. */
static int32_t extra_most(enum ptp_phase phase)
{
    return phase >= PTP_TRIGGER_SENT && phase <= PTP_TRANSFERRED;
}

static void judge(enum ptp_phase phase, enum ptp_blow blow, const struct cell *cell)
{
    const struct emulated_result *r = &cell->result;
    if (!cell->done) fail_msg("%s x %s: failed, see above", PHASE_NAMES[phase], BLOW_NAMES[blow]);
    if (r->extra < 0 || r->extra > extra_most(phase))
        fail_msg("%s x %s: %d releases too many: %s", PHASE_NAMES[phase], BLOW_NAMES[blow], (int)r->extra,
                 r->said);
    if (r->off_most > OFF_MOST)
        fail_msg("%s x %s: a frame kept from %d counts beside its place: %s", PHASE_NAMES[phase],
                 BLOW_NAMES[blow], (int)r->off_most, r->said);
}

static void print_row(enum ptp_phase phase, const struct cell *cells)
{
    char line[256] = "";
    for (int b = 0; b < PTP_BLOWS; b++) {
        const struct emulated_result *r = &cells[b].result;
        char text[32];
        snprintf(text, sizeof text, "%d%s+%d/%.0f", r->exit, r->resumed >= 0 ? "r" : "", (int)r->extra,
                 r->seconds);
        snprintf(line + strlen(line), sizeof line - strlen(line), " %8s", text);
    }
    print_message("measured: %-15s%s\n", PHASE_NAMES[phase], line);
}

void lens_faults_table(enum ptp_family family, const char *name)
{
    static int pids[AT_ONCE];
    const size_t size = sizeof(struct cell) * (PHASES + 1) * PTP_BLOWS;
    struct cell *cells = mmap(NULL, size, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    assert_true(cells != MAP_FAILED);
    int n = 0;
    for (int b = 0; b < PTP_BLOWS; b++) /* the slow ones spread */
        for (int p = 1; p <= PHASES; p++, n++) {
            if (pids[n % AT_ONCE]) waitpid(pids[n % AT_ONCE], NULL, 0);
            pids[n % AT_ONCE] = begin(family, (enum ptp_phase)p, (enum ptp_blow)b, &cells[p * PTP_BLOWS + b]);
        }
    for (int i = 0; i < AT_ONCE; i++)
        if (pids[i]) waitpid(pids[i], NULL, 0);
    char line[256] = "";
    int32_t off = 0, extra = 0;
    for (int b = 0; b < PTP_BLOWS; b++)
        snprintf(line + strlen(line), sizeof line - strlen(line), " %8s", BLOW_NAMES[b]);
    print_message("measured: %s: exit of the run (r: resumed), +releases in vain, seconds\n", name);
    print_message("measured: %-15s%s\n", "", line);
    for (int p = 1; p <= PHASES; p++)
        print_row((enum ptp_phase)p, &cells[p * PTP_BLOWS]);
    for (int i = PTP_BLOWS; i < (PHASES + 1) * PTP_BLOWS; i++) {
        if (cells[i].result.off_most > off) off = cells[i].result.off_most;
        extra += cells[i].result.extra;
    }
    print_message(
        "measured: %s: %d cells, %d releases in vain, no frame farther than %d counts of %d from its "
        "place\n",
        name, n, (int)extra, (int)off, SPACING);
    for (int i = PTP_BLOWS; i < (PHASES + 1) * PTP_BLOWS; i++)
        judge((enum ptp_phase)(i / PTP_BLOWS), (enum ptp_blow)(i % PTP_BLOWS), &cells[i]);
    munmap(cells, size);
}
