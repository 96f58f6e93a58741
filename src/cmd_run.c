#include "cmd_shoot.h"

static const struct option_row options[] = {
    {"stack", "DIR", "make the stack's folder here (default: the next one of tonight)"},
    {"anyway", NULL, "shoot although the camera's settings would spoil the stack"},
    {"workers", "N", "threads for measuring (default: one a core)"},
    {"seed", "N", "simulated bench: seed of the noise instead of the job's"},
    {NULL, NULL, NULL},
};

static int run(struct cmd *c, struct err *why)
{
    return cmd_shoot_new(c, false, why);
}

const struct verb verb_run = {
    .name = "run",
    .operands = "[JOB]",
    .least = 0,
    .most = 1,
    .summary = "shoot a job on the bench",
    .about =
        "Shoots the stack that the job describes: finds the axis' zero, then for each slice moves, settles,\n"
        "exposes, fetches and measures; at last the closing frame, to compare with the first. Frames are\n"
        "on the disk before they count as kept. The first exposure comes after the job's start delay.\n\n"
        "A tethered camera is asked first whether it is set as a stack needs it ('staddle camera ready').\n"
        "What would spoil the stack ends with status 4, before anything moves; --anyway shoots all the "
        "same.\n\n"
        "Without a job: the last one again, for the next composition, as the next stack of tonight. Marks "
        "of\n"
        "the composition before are not taken over: mark near and far first, then run.\n\n"
        "The stack goes to tonight's folder, YYYY-MM-DD/stack-NNN, unless --stack says where; evening.txt\n"
        "there gets a line for it: start, frames, verdict, and the light against the stack before.\n\n"
        "Ctrl-C finishes the slice and pauses; 'staddle resume' goes on. Twice halts at once, and so does\n"
        "Ctrl-Z. A hang-up or SIGTERM is one Ctrl-C. From elsewhere: 'staddle stop'.",
    .options = options,
    .run = run,
};
