#include <string.h>

#include "base/json.h"
#include "cmd_again.h"
#include "run/control.h"

static const struct option_row options[] = {
    {"now", NULL, "halt the rail at once, whatever is being exposed"},
    {NULL, NULL, NULL},
};

static void text(FILE *out, const json_t *r)
{
    fprintf(out, "%s: %s\nnext: staddle resume %s\n", json_get_text(r, "stack"), json_get_text(r, "text"),
            json_get_text(r, "stack"));
}

/* The run goes on ending by itself; nobody waits for that here. */
static int ask(struct cmd *c, bool now, struct err *why)
{
    char answer[512], dir[PATH_ROOM];
    int rc = cmd_again_stack(c, dir, why);
    if (!rc) rc = control_ask(dir, now ? "halt" : "pause", answer, sizeof answer, why);
    if (rc) return rc;
    json_t *out = cmd_result(c);
    json_object_set_new(out, "stack", json_text(dir));
    json_object_set_new(out, "now", json_boolean(now));
    json_object_set_new(out, "text",
                        json_text(now ? "the rail is being halted, and the run ends"
                                      : "the slice under way is finished, then the run ends"));
    cmd_print(c, out, text);
    return 0;
}

static int run_pause(struct cmd *c, struct err *why)
{
    return ask(c, false, why);
}

static int run_stop(struct cmd *c, struct err *why)
{
    return ask(c, cmd_flag(c, "now"), why);
}

const struct verb verb_pause = {
    .name = "pause",
    .operands = "[STACK]",
    .least = 0,
    .most = 1,
    .summary = "let a run elsewhere finish its slice and end, to be gone on with",
    .about =
        "Asks the run that is shooting this stack to pause, as Ctrl-C does where it runs: the slice under\n"
        "way is finished and kept, the rail comes to rest, and that run ends with status 3; 'staddle\n"
        "resume' goes on. Asking twice changes nothing. Without STACK: the one that was begun last. Does\n"
        "not wait for the end; 'staddle status' tells. Status 4 when no run is there.",
    .run = run_pause,
};

const struct verb verb_stop = {
    .name = "stop",
    .operands = "[STACK]",
    .least = 0,
    .most = 1,
    .summary = "end a run elsewhere: after its slice, or halt it now",
    .about =
        "Asks the run that is shooting this stack to end: after the slice under way, as 'staddle pause'\n"
        "does. With --now the rail is halted at once, as by Ctrl-C twice, and what is being exposed is\n"
        "lost. Without STACK: the one that was begun last. Says what it asked for without waiting for the\n"
        "end; 'staddle status' tells. Status 4 when no run is there.",
    .options = options,
    .run = run_stop,
};
