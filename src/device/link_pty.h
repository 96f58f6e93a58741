/* link_pty.h - a link to a pseudo-terminal, by plain termios: the virtual rail in another process. */
#ifndef STADDLE_DEVICE_LINK_PTY_H
#define STADDLE_DEVICE_LINK_PTY_H

#include <stdbool.h>

#include "base/sched.h"
#include "device/link.h"

bool link_pty_is(const char *path); /* it is one, or a symbolic link to one */
int link_pty_open(struct sched *, const char *path, struct link **out, struct err *);

#endif
