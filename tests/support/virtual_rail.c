#include "tests/support/test.h"

#include "tests/support/virtual_rail.h"

#include <fcntl.h>
#include <signal.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#define ARGUMENTS 24

const char *built(const char *name)
{
    static char path[700];
    const char *build = getenv("STADDLE_BUILD");
    snprintf(path, sizeof path, "%s/%s", build ? build : "build", name);
    return path;
}

/* One line, byte by byte: what follows is for later. */
static void read_line(int fd, char *out, size_t room)
{
    size_t n = 0;
    while (n + 1 < room && read(fd, out + n, 1) == 1 && out[n] != '\n')
        n++;
    out[n] = '\0';
}

void virtual_rail_start_as(struct virtual_rail *r, const char *program, const char *const *arguments)
{
    const char *path = built(program);
    const char *argv[ARGUMENTS] = {path};
    int ends[2];
    for (int i = 0; arguments[i]; i++) {
        assert_true(i + 2 < ARGUMENTS);
        argv[i + 1] = arguments[i];
    }
    assert_int_equal(pipe2(ends, O_CLOEXEC), 0);
    r->pid = fork();
    assert_true(r->pid >= 0);
    if (!r->pid) {
        prctl(PR_SET_PDEATHSIG, SIGKILL);
        unsetenv("LD_PRELOAD");
        dup2(ends[1], 1);
        execv(path, (char *const *)(uintptr_t)argv);
        _exit(127);
    }
    close(ends[1]);
    r->out = ends[0];
    read_line(r->out, r->port, sizeof r->port);
    if (strncmp(r->port, "/dev/pts/", 9) != 0) print_error("%s said '%s'\n", path, r->port);
    assert_int_equal(strncmp(r->port, "/dev/pts/", 9), 0);
}

void virtual_rail_start(struct virtual_rail *r, const char *const *arguments)
{
    virtual_rail_start_as(r, "staddle-virtual-rail", arguments);
}

/* The kernel makes it ready to run within the call that closes or opens the port, and it sleeps nowhere but
 * in its one wait for all that may come. */
void virtual_rail_rests(const struct virtual_rail *r)
{
    char path[64], state = 'R';
    snprintf(path, sizeof path, "/proc/%d/stat", (int)r->pid);
    for (int i = 0; i < 60000 && state != 'S'; i++) {
        usleep(1000);
        FILE *f = fopen(path, "r");
        assert_non_null(f);
        if (fscanf(f, "%*d (%*[^)]) %c", &state) != 1) state = 'R';
        fclose(f);
    }
    assert_int_equal(state, 'S');
}

int virtual_rail_stop(struct virtual_rail *r, int64_t *pulses_out, int64_t *net_out)
{
    char line[200];
    long long pulses = -1, net = 0;
    int status = 0;
    kill(r->pid, SIGTERM);
    read_line(r->out, line, sizeof line);
    close(r->out);
    assert_int_equal(waitpid(r->pid, &status, 0), r->pid);
    if (sscanf(line, "%lld pulses, %lld net", &pulses, &net) != 2) pulses = -1;
    if (pulses_out) *pulses_out = pulses;
    if (net_out) *net_out = net;
    return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}
