/* cmd.h - the frame of every verb: a table of options, help made from it, and one way to print a result.
 *
 * A verb makes one JSON object. --json prints it; otherwise `text` writes lines from that same object, so the
 * text can say nothing that the JSON lacks. */
#ifndef STADDLE_CMD_H
#define STADDLE_CMD_H

#include <jansson.h>
#include <stdbool.h>
#include <stdio.h>

#include "base/err.h"

#define STADDLE_VERSION "0.1.0"

struct option_row {
    const char *name;    /* without the dashes */
    const char *metavar; /* NULL: a flag */
    const char *help;    /* one line */
};

struct cmd;

struct verb {
    const char *name;
    const char *operands;                   /* as shown in the usage line, e.g. "JOB" or "FILE..." */
    int least, most;                        /* operands; most -1: any number */
    const char *summary;                    /* one line, for the list of verbs */
    const char *about;                      /* a paragraph or more for --help */
    const struct option_row *options;       /* ends with a NULL name; may be NULL */
    int (*run)(struct cmd *, struct err *); /* exit status >= 0, or a negative enum errc */
};

/* What the verbs share: --json --quiet --verbose --bench FILE --help. */
const char *cmd_operand(const struct cmd *, int index); /* NULL past the end */
int cmd_operand_count(const struct cmd *);
bool cmd_flag(const struct cmd *, const char *option);
const char *cmd_text(const struct cmd *, const char *option); /* NULL when not given */
int cmd_number(const struct cmd *, const char *option, double least, double most, double *out,
               struct err *why);
bool cmd_json(const struct cmd *);
bool cmd_quiet(const struct cmd *);
bool cmd_verbose(const struct cmd *);

/* {"verb": NAME, "format": 1, "findings": []} to be filled. */
json_t *cmd_result(const struct cmd *);

/* Prints and releases `result`: JSON, or by `text` unless --quiet. */
void cmd_print(const struct cmd *, json_t *result, void (*text)(FILE *, const json_t *));

/* For text views: the result's findings, grave ones first and marked '!', others '-', what to do below each.
 */
void cmd_print_findings(FILE *, const json_t *result);

extern const struct verb verb_plan, verb_simulate, verb_run, verb_resume, verb_status, verb_pause, verb_stop,
    verb_import, verb_measure, verb_check, verb_axis, verb_camera, verb_mark, verb_rehearse, verb_handover,
    verb_version, verb_devices, verb_where, verb_lens;

/* Parses and runs: the program's exit status. */
int cmd_main(const struct verb *const *verbs, int argc, char **argv);

#endif
