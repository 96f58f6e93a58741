/* cmd_shoot.h - what simulate, run and resume print. */
#ifndef STADDLE_CMD_SHOOT_H
#define STADDLE_CMD_SHOOT_H

#include "cmd.h"
#include "run/shoot.h"

/* The whole of simulate and run. */
int cmd_shoot_new(const struct cmd *, bool virtual_clock, struct err *why);

/* Progress on stderr: on a terminal one line rewritten in place, else a line at each tenth (--verbose: at
 * each step). */
struct shoot_progress {
    bool terminal, shown, each;
    int32_t last_tenth;
};
void cmd_shoot_watch(const struct cmd *, struct shoot_progress *, struct shoot_opts *);
void cmd_shoot_watch_end(struct shoot_progress *);

/* --workers, --seed */
int cmd_shoot_options(const struct cmd *, struct shoot_opts *, struct err *);

/* What a run came to, and how it is told. */
struct shoot_told {
    const char *dir;
    struct run_result result;
    const struct finding_list *plan; /* NULL: not planned anew */
    bool already;
    bool listed;     /* gets its line in evening.txt */
    json_t *evening; /* that line, once it is made */
};

/* Prints it, also when the run was paused, and gives back the verb's own result: the exit status, or the code
 * with a sentence that says how to go on. Clears the result. */
int cmd_shoot_end(const struct cmd *, struct shoot_told *, int rc, struct err *why);

#endif
