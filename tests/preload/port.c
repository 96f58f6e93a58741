/* port.c - preloaded into a test: makes a pseudo-terminal look like a serial port, so that libserialport
 * opens it.
 *
 *     PORT_NAME  the name under which it is to be found, /dev/...
 *     PORT_PTY   the pseudo-terminal that is opened instead
 *     PORT_LOG   a file that gets a line for each thing done to it: "set hupcl=1", "modem raise 2",
 * "exclusive", "close"
 *
 * A pseudo-terminal has no modem lines and answers ENOTTY; here they are kept in a variable. */
#include <dlfcn.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#define SET_TERMIOS2 0x402c542bul /* TCSETS2 of asm-generic/ioctls.h, whose type termios.h excludes */

static int port_fd = -1;
static int modem_lines;

static void *next(const char *name)
{
    return dlsym(RTLD_NEXT, name);
}

static void note(const char *what, int value)
{
    const char *path = getenv("PORT_LOG");
    FILE *f = path ? fopen(path, "a") : NULL;
    if (!f) return;
    fprintf(f, what, value);
    fputc('\n', f);
    fclose(f);
}

static int is_port(const char *path)
{
    const char *name = getenv("PORT_NAME");
    return name && !strcmp(path, name);
}

static int open_instead(int flags)
{
    int (*real)(const char *, int, ...) = (int (*)(const char *, int, ...))next("open");
    const char *pty = getenv("PORT_PTY");
    port_fd = real(pty ? pty : "", flags);
    modem_lines = TIOCM_DTR | TIOCM_RTS; /* as the system raises them */
    note("open %d", port_fd >= 0);
    return port_fd;
}

int open(const char *path, int flags, ...)
{
    int (*real)(const char *, int, ...) = (int (*)(const char *, int, ...))next("open");
    va_list args;
    va_start(args, flags);
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(args, mode_t) : 0;
    va_end(args);
    return is_port(path) ? open_instead(flags) : real(path, flags, mode);
}

int open64(const char *path, int flags, ...)
{
    int (*real)(const char *, int, ...) = (int (*)(const char *, int, ...))next("open64");
    va_list args;
    va_start(args, flags);
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(args, mode_t) : 0;
    va_end(args);
    return is_port(path) ? open_instead(flags) : real(path, flags, mode);
}

int close(int fd)
{
    int (*real)(int) = (int (*)(int))next("close");
    if (fd >= 0 && fd == port_fd) {
        port_fd = -1;
        note("close %d", 0);
    }
    return real(fd);
}

/* Under these names of the C library the packaged libserialport calls open and lstat. */
int __open_2(const char *path, int flags);
int __open_2(const char *path, int flags)
{
    return open(path, flags);
}

/* The system's list of ports has this one, too. */
int __lxstat(int version, const char *path, struct stat *st);
int __lxstat(int version, const char *path, struct stat *st)
{
    int (*real)(int, const char *, struct stat *) =
        (int (*)(int, const char *, struct stat *))next("__lxstat");
    const char *name = getenv("PORT_NAME");
    int listed = name && !strncmp(path, "/sys/class/tty/", 15) && !strcmp(path + 15, name + 5);
    return real(version, listed ? "/" : path, st);
}

int lstat(const char *path, struct stat *st)
{
    return __lxstat(1, path, st);
}

ssize_t readlink(const char *path, char *out, size_t room)
{
    ssize_t (*real)(const char *, char *, size_t) =
        (ssize_t(*)(const char *, char *, size_t))next("readlink");
    static const char platform[] = "../../../serial8250";
    const char *name = getenv("PORT_NAME");
    char device[200];
    snprintf(device, sizeof device, "/sys/class/tty/%s/device", name ? name + 5 : "");
    if (!name || strcmp(path, device) != 0) return real(path, out, room);
    size_t n = room < sizeof platform - 1 ? room : sizeof platform - 1;
    memcpy(out, platform, n);
    return (ssize_t)n;
}

char *realpath(const char *path, char *out)
{
    char *(*real)(const char *, char *) = (char *(*)(const char *, char *))next("realpath");
    return is_port(path) && out ? strcpy(out, path) : real(path, out);
}

int tcsetattr(int fd, int when, const struct termios *t)
{
    int (*real)(int, int, const struct termios *) =
        (int (*)(int, int, const struct termios *))next("tcsetattr");
    if (fd == port_fd) note("set hupcl=%d", (t->c_cflag & HUPCL) != 0);
    return real(fd, when, t);
}

static int modem(unsigned long request, int *lines)
{
    if (request == TIOCMGET)
        *lines = modem_lines;
    else if (request == TIOCMSET)
        note("modem set %d", modem_lines = *lines);
    else if (request == TIOCMBIS)
        modem_lines |= *lines, note("modem raise %d", *lines);
    else
        modem_lines &= ~*lines, note("modem drop %d", *lines);
    return 0;
}

int ioctl(int fd, unsigned long request, ...)
{
    int (*real)(int, unsigned long, ...) = (int (*)(int, unsigned long, ...))next("ioctl");
    va_list args;
    va_start(args, request);
    void *arg = va_arg(args, void *);
    va_end(args);
    if (fd < 0 || fd != port_fd) return real(fd, request, arg);
    if (request == TIOCMGET || request == TIOCMSET || request == TIOCMBIS || request == TIOCMBIC)
        return modem(request, arg);
    if (request == TIOCEXCL) note("exclusive %d", 1);
    if (request == SET_TERMIOS2)
        note("set hupcl=%d", (((const tcflag_t *)arg)[2] & HUPCL) != 0); /* c_cflag is third */
    return real(fd, request, arg);
}
