#include "base/json.h"
#include "cmd.h"

static void text(FILE *out, const json_t *result)
{
    fprintf(out, "staddle %s\n", json_get_text(result, "version"));
}

static int run(struct cmd *c, struct err *why)
{
    (void)why;
    json_t *result = cmd_result(c);
    json_object_set_new(result, "version", json_text(STADDLE_VERSION));
    cmd_print(c, result, text);
    return 0;
}

const struct verb verb_version = {
    .name = "version",
    .operands = "",
    .summary = "print the version",
    .about = "Prints the version of this program.",
    .run = run,
};
