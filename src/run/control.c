#include "run/control.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include "base/mem.h"

#define NAME        "control"
#define WORD_MOST   16
#define ANSWER_MOST 400
#define PATIENCE_MS 2000 /* for the answer of a run; our choice */

struct guest {
    struct control *control;
    int fd; /* -1: none */
    char word[WORD_MOST];
    size_t count;
};

struct control {
    struct rig *rig;
    int folder, fd;
    struct guest guest; /* one at a time; others wait in the queue of the socket */
    struct run_progress last;
    char doing[32];
};

/* The path of a socket is short; that of a stack need not be. */
static struct sockaddr_un address(int folder)
{
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    snprintf(at.sun_path, sizeof at.sun_path, "/proc/self/fd/%d/" NAME, folder);
    return at;
}

static int open_folder(const char *dir, struct err *why)
{
    int fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0 && errno == ENOENT) return fail(why, E_INPUT, "%s: no such folder; name a stack folder", dir);
    return fd < 0 ? fail_errno(why, E_INPUT, "%s: cannot open the folder", dir) : fd;
}

static void see_out(struct guest *g)
{
    if (g->fd < 0) return;
    sched_unwatch(g->control->rig->sched, g->fd);
    close(g->fd);
    g->fd = -1;
    g->count = 0;
}

/* Asked twice, a pause is still a pause. */
static void wish(struct rig *rig, int wishes)
{
    while (bench_wishes(rig) < wishes)
        bench_wish(rig);
}

static void answer(struct guest *g)
{
    struct control *c = g->control;
    char line[ANSWER_MOST];
    const char *said = "ok";
    if (!strcmp(g->word, "pause")) {
        wish(c->rig, 1);
    } else if (!strcmp(g->word, "halt")) {
        wish(c->rig, 2);
    } else if (strcmp(g->word, "status") != 0) {
        said = "unknown";
    }
    snprintf(line, sizeof line,
             "{\"answer\": \"%s\", \"pid\": %ld, \"doing\": \"%s\", \"slice\": %d, \"kept\": %d, \"slices\": "
             "%d, \"left_s\": %.1f, \"pausing\": %s}\n",
             said, (long)getpid(), c->doing, (int)c->last.slice, (int)c->last.kept, (int)c->last.total,
             c->last.eta_us < 0 ? -1.0 : (double)c->last.eta_us / 1e6,
             bench_wishes(c->rig) ? "true" : "false");
    if (send(g->fd, line, strlen(line), MSG_NOSIGNAL | MSG_DONTWAIT) < 0) { /* it did not wait: its affair */
    }
}

static void on_words(void *arg)
{
    struct guest *g = arg;
    ssize_t n = recv(g->fd, g->word + g->count, sizeof g->word - 1 - g->count, MSG_DONTWAIT);
    if (n < 0 && (errno == EAGAIN || errno == EINTR)) return;
    if (n > 0) {
        g->count += (size_t)n;
        g->word[g->count] = '\0';
        char *end = strchr(g->word, '\n');
        if (!end && g->count < sizeof g->word - 1) return;
        if (end) *end = '\0';
        answer(g);
    }
    see_out(g);
}

/* Whoever comes while another is there takes its place: one that says nothing keeps nobody out. */
static void on_guest(void *arg)
{
    struct control *c = arg;
    int fd = accept4(c->fd, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
    if (fd < 0) return;
    see_out(&c->guest);
    c->guest.fd = fd;
    if (!sched_watch(c->rig->sched, fd, on_words, &c->guest, NULL)) return;
    close(fd);
    c->guest.fd = -1;
}

static int listen_there(struct control *c, const char *dir, struct err *why)
{
    struct sockaddr_un at = address(c->folder);
    c->fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (c->fd < 0) return fail_errno(why, E_IO, "%s: cannot make the control socket", dir);
    unlinkat(c->folder, NAME, 0);
    mode_t before = umask(0177);
    int rc = bind(c->fd, (const struct sockaddr *)&at, sizeof at);
    umask(before);
    if (rc || listen(c->fd, 4)) return fail_errno(why, E_IO, "%s: cannot make the control socket", dir);
    return sched_watch(c->rig->sched, c->fd, on_guest, c, why);
}

int control_open(struct rig *rig, const char *stack_dir, struct control **out, struct err *why)
{
    *out = NULL;
    if (sched_is_virtual(rig->sched)) return E_OK;
    struct control *c = mem_new(1, sizeof *c, why);
    if (!c) return E_NOMEM;
    *c = (struct control){.rig = rig, .folder = -1, .fd = -1, .guest = {.control = c, .fd = -1}};
    snprintf(c->doing, sizeof c->doing, "opening");
    c->last.eta_us = -1;
    int rc = open_folder(stack_dir, why);
    if (rc >= 0) {
        c->folder = rc;
        rc = listen_there(c, stack_dir, why);
    }
    if (rc) {
        control_close(c);
        return rc;
    }
    *out = c;
    return E_OK;
}

void control_close(struct control *c)
{
    if (!c) return;
    see_out(&c->guest);
    if (c->fd >= 0) {
        sched_unwatch(c->rig->sched, c->fd);
        close(c->fd);
        unlinkat(c->folder, NAME, 0);
    }
    if (c->folder >= 0) close(c->folder);
    mem_free(c);
}

void control_tell(struct control *c, const struct run_progress *p)
{
    if (!c) return;
    c->last = *p;
    c->last.doing = c->last.finding = NULL; /* theirs */
    snprintf(c->doing, sizeof c->doing, "%s", p->doing);
}

/* ---- the other side */

static int talk(int fd, const char *dir, const char *word, char *answer_out, size_t room, struct err *why)
{
    char line[WORD_MOST + 1];
    size_t got = 0;
    int n = snprintf(line, sizeof line, "%s\n", word);
    if (send(fd, line, (size_t)n, MSG_NOSIGNAL) != n)
        return fail_errno(why, E_IO, "%s: its run does not listen", dir);
    while (got + 1 < room && !memchr(answer_out, '\n', got)) {
        struct pollfd p = {.fd = fd, .events = POLLIN};
        ssize_t more = poll(&p, 1, PATIENCE_MS) > 0 ? recv(fd, answer_out + got, room - 1 - got, 0) : -1;
        if (more <= 0)
            return fail(why, E_TIMEOUT, "%s: its run does not answer; stop it with Ctrl-C where it runs",
                        dir);
        got += (size_t)more;
    }
    answer_out[got] = '\0';
    return E_OK;
}

int control_ask(const char *stack_dir, const char *word, char *answer_out, size_t room, struct err *why)
{
    int folder = open_folder(stack_dir, why);
    if (folder < 0) return folder;
    struct sockaddr_un at = address(folder);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    int rc = E_OK;
    if (fd < 0 || connect(fd, (const struct sockaddr *)&at, sizeof at))
        rc = fail(why, E_STATE, "%s: no run is under way there", stack_dir);
    else
        rc = talk(fd, stack_dir, word, answer_out, room, why);
    if (fd >= 0) close(fd);
    close(folder);
    return rc;
}
