#include "run/wishes.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdbool.h>
#include <unistd.h>

static volatile sig_atomic_t count;
static int wake[2] = {-1, -1};
static bool listening;
static struct sigaction old_int, old_term;

static void on_signal(int number)
{
    int saved = errno;
    (void)number;
    if (count < 100) count = count + 1;
    if (write(wake[1], "x", 1) < 0) { /* full: the reader has bytes enough to wake it */
    }
    errno = saved;
}

int wishes_listen(struct err *why)
{
    count = 0;
    if (listening) return E_OK;
    if (pipe2(wake, O_CLOEXEC | O_NONBLOCK)) return fail_errno(why, E_IO, "cannot make a pipe");
    struct sigaction act = {.sa_handler = on_signal, .sa_flags = SA_RESTART};
    sigemptyset(&act.sa_mask);
    sigaction(SIGINT, &act, &old_int);
    sigaction(SIGTERM, &act, &old_term);
    listening = true;
    return E_OK;
}

void wishes_ignore(void)
{
    if (!listening) return;
    sigaction(SIGINT, &old_int, NULL);
    sigaction(SIGTERM, &old_term, NULL);
    int read_end = wake[0], write_end = wake[1];
    wake[0] = wake[1] = -1;
    close(read_end);
    close(write_end);
    listening = false;
    count = 0;
}

int wishes_count(void)
{
    return count;
}

int wishes_fd(void)
{
    return wake[0];
}

void wishes_drain(void)
{
    char drop[16];
    while (wake[0] >= 0 && read(wake[0], drop, sizeof drop) > 0)
        ;
}
