#include "device/link_pty.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

#include "device/link_tty.h"

bool link_pty_is(const char *path)
{
    char real[PATH_MAX];
    return realpath(path, real) && !strncmp(real, "/dev/pts/", 9);
}

static void close_it(void *handle, int fd)
{
    (void)handle;
    close(fd);
}

/* No TIOCEXCL here: it would outlive a killed host for as long as the other end holds the pseudo-terminal. */
static int set_up(int fd, const char *path, struct err *why)
{
    struct termios t;
    int rc = link_tty_claim(fd, path, why);
    if (rc) return rc;
    if (tcgetattr(fd, &t)) return link_tty_refused(path, errno, why);
    cfmakeraw(&t);
    t.c_cflag |= (tcflag_t)(CLOCAL | CREAD);
    if (tcsetattr(fd, TCSANOW, &t)) return link_tty_refused(path, errno, why);
    tcflush(fd, TCIFLUSH);
    return E_OK;
}

int link_pty_open(struct sched *sched, const char *path, struct link **out, struct err *why)
{
    int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0) return link_tty_refused(path, errno, why);
    int rc = set_up(fd, path, why);
    if (rc) {
        close(fd);
        return rc;
    }
    return link_tty_open(sched, fd, path, &(struct link_tty_owner){"a pseudo-terminal", NULL, close_it}, 0,
                         out, why);
}
