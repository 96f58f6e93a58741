/* reference.h - one frame outside the order of a stack, kept with it: recorded durably before the shutter, as
 * every exposure of a stack is. */
#ifndef STADDLE_RUN_REFERENCE_H
#define STADDLE_RUN_REFERENCE_H

#include "run/camera_session.h"

struct reference_kept {
    struct file_row files[FRAME_FILES_MOST];
    int32_t count;
};

/* `what` as reference_word gives it. The exposure time is the session's job's; of a stack the job is its own,
 * where the session has none. Codes as store_open and camera_session_shoot. */
int reference_shoot(struct camera_session *, const char *stack_dir, const char *what,
                    struct reference_kept *out, struct err *);

/* Into a stack that is open, of that info. */
int reference_shoot_into(struct camera_session *, struct store *, const struct stack_info *, const char *what,
                         struct reference_kept *out, struct err *);

#endif
