/* cmd_again.h - which job `run` shoots: the one named, or the last one again, for the next composition. Keeps
 * watch over marks: those of the composition before are never taken over without a word. */
#ifndef STADDLE_CMD_AGAIN_H
#define STADDLE_CMD_AGAIN_H

#include "cmd.h"
#include "run/shoot.h"
#include "store/last_job.h"

struct again {
    const struct cmd *cmd;
    const char *job, *bench;   /* bench NULL: as the job says */
    const char *folder;        /* in which the evenings are */
    const char *stack;         /* to be made */
    bool repeated;             /* no job was named */
    struct last_job last;      /* repeated: where job, bench and folder point */
    struct finding_list notes; /* what could not be remembered */
};

int cmd_again_choose(const struct cmd *, struct again *out, struct err *);

/* E_STATE when marks would have to be made first; adds a finding to the job's where they may be out of date.
 */
int cmd_again_check_marks(const struct again *, struct shoot_job *, struct err *);

/* For verbs about a stack: the one named, or that which `run` began last. E_INPUT when there is none. */
int cmd_again_stack(const struct cmd *, char out[PATH_ROOM], struct err *);

/* The stack has been begun: marks are void from now on, and this is the last job. */
void cmd_again_begun(struct again *, int64_t wall_us);

#endif
