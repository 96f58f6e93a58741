#include "run/wishes.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdbool.h>
#include <unistd.h>

static volatile sig_atomic_t count;
static int wake[2] = {-1, -1};
static bool listening;
/* A hang-up is a polite end. Ctrl-Z would leave a rail moving with nobody behind it, so it halts instead. A
 * reader that has gone is told by the write. */
static const struct {
    int number, wishes;
} SIGNALS[] = {{SIGINT, 1}, {SIGTERM, 1}, {SIGHUP, 1}, {SIGTSTP, 2}, {SIGPIPE, 0}};
#define SIGNAL_COUNT (sizeof SIGNALS / sizeof *SIGNALS)

static struct sigaction before[SIGNAL_COUNT];

static void on_signal(int number)
{
    int saved = errno;
    for (size_t i = 0; i < SIGNAL_COUNT; i++)
        if (SIGNALS[i].number == number && count < 100) count = count + SIGNALS[i].wishes;
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
    for (size_t i = 0; i < SIGNAL_COUNT; i++) {
        act.sa_handler = SIGNALS[i].wishes ? on_signal : SIG_IGN;
        sigaction(SIGNALS[i].number, &act, &before[i]);
        /* nohup says that a hang-up is not to matter */
        bool unwanted = before[i].sa_handler == SIG_IGN && SIGNALS[i].number == SIGHUP;
        if (unwanted) sigaction(SIGNALS[i].number, &before[i], NULL);
    }
    listening = true;
    return E_OK;
}

void wishes_ignore(void)
{
    if (!listening) return;
    for (size_t i = 0; i < SIGNAL_COUNT; i++)
        sigaction(SIGNALS[i].number, &before[i], NULL);
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
