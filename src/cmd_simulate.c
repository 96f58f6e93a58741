#include "cmd_shoot.h"

static const struct option_row options[] = {
    {"stack", "DIR", "make the stack's folder here (default: the next one of the evening)"},
    {"workers", "N", "threads for rendering and measuring (default: one a core)"},
    {"seed", "N", "seed of the simulated noise instead of the job's"},
    {NULL, NULL, NULL},
};

static int run(struct cmd *c, struct err *why)
{
    return cmd_shoot_new(c, true, why);
}

const struct verb verb_simulate = {
    .name = "simulate",
    .operands = "JOB",
    .least = 1,
    .most = 1,
    .summary = "shoot a job on the simulated bench, on a clock that does not wait",
    .about =
        "Shoots the whole stack with a simulated bench in place of every device: the same plan, the same\n"
        "run, the same stack folder, with frames of the job's scene. Time is virtual, so hours take\n"
        "seconds, and the same job and seed give the same bytes each time.\n\n"
        "Ctrl-C finishes the slice and pauses; 'staddle resume' goes on. Twice halts at once.",
    .options = options,
    .run = run,
};
