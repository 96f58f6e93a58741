/* wishes.h - Ctrl-C, SIGTERM and a hang-up as a count: once is 'finish the slice and pause', twice is 'halt
 * now'; Ctrl-Z is twice at once.
 * The one place with a signal handler, and so the one with state of its own. */
#ifndef STADDLE_RUN_WISHES_H
#define STADDLE_RUN_WISHES_H

#include "base/err.h"

int wishes_listen(struct err *); /* from now on; counts from 0 */
void wishes_ignore(void);        /* what the signals did before */
int wishes_count(void);
int wishes_fd(void); /* readable when there is a new one; -1 while nobody listens */
void wishes_drain(void);

#endif
