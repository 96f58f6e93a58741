/* control.h - one socket for each run, STACK/control: what another program of the same person may ask of it.
 *
 *     status   where it is, as one JSON object
 *     pause    finish the slice under way, then end: as Ctrl-C; asking twice is no halt
 *     halt     stop the rail at once, then end: as Ctrl-C twice
 *
 * A word and a newline; the answer is one line, then the socket is closed. The socket is there while the run
 * is, for its owner only. What a killed run left behind is replaced by the next one: only whoever holds the
 * stack's lock comes so far. Real clock only. */
#ifndef STADDLE_RUN_CONTROL_H
#define STADDLE_RUN_CONTROL_H

#include <stddef.h>

#include "run/loop.h"

struct control;

/* *out NULL, and no error, under the virtual clock. */
int control_open(struct rig *, const char *stack_dir, struct control **out, struct err *);
void control_close(struct control *);                             /* NULL is fine */
void control_tell(struct control *, const struct run_progress *); /* what status says; NULL is fine */

/* The other side. E_STATE: no run is there; E_TIMEOUT: it does not answer. */
int control_ask(const char *stack_dir, const char *word, char *answer, size_t room, struct err *);

#endif
