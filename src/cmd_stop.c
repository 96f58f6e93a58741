#include <string.h>

#include "base/json.h"
#include "cmd.h"
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

static int run(struct cmd *c, struct err *why)
{
    char answer[512];
    bool now = cmd_flag(c, "now");
    const char *dir = cmd_operand(c, 0);
    int rc = control_ask(dir, now ? "halt" : "pause", answer, sizeof answer, why);
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

const struct verb verb_stop = {
    .name = "stop",
    .operands = "STACK",
    .least = 1,
    .most = 1,
    .summary = "let a run elsewhere finish its slice and pause, or halt it",
    .about =
        "Asks the run that is shooting this stack to end, as Ctrl-C does where it runs: the slice under\n"
        "way is finished. With --now the rail is halted at once, as by Ctrl-C twice. Says what it asked\n"
        "for without waiting for the end; 'staddle status' tells. Status 4 when no run is there.",
    .options = options,
    .run = run,
};
