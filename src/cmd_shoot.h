/* cmd_shoot.h - what simulate, run and resume print. */
#ifndef STADDLE_CMD_SHOOT_H
#define STADDLE_CMD_SHOOT_H

#include "cmd.h"
#include "run/shoot.h"

/* The whole of simulate and run. */
int cmd_shoot_new(const struct cmd *, bool virtual_clock, struct err *why);

/* Progress on stderr: on a terminal one line rewritten in place, else a line at each tenth. */
struct shoot_progress {
    bool terminal, shown;
    int32_t last_tenth;
};
void cmd_shoot_watch(const struct cmd *, struct shoot_progress *, struct shoot_opts *);
void cmd_shoot_watch_end(struct shoot_progress *);

/* --workers, --seed */
int cmd_shoot_options(const struct cmd *, struct shoot_opts *, struct err *);

/* Prints what the run came to, also when it was paused, and gives back the verb's own result: the exit
 * status, or the code with a sentence that says how to go on. Clears `r`. */
int cmd_shoot_end(const struct cmd *, const char *dir, struct run_result *r, bool already, int rc,
                  struct err *why);

#endif
