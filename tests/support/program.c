#include "tests/support/test.h"

#include "program.h"

#include <signal.h>
#include <stdarg.h>
#include <stdbool.h>
#include <sys/wait.h>
#include <unistd.h>

#define SAY_MOST_MS 120000

static char *read_file(const char *path)
{
    FILE *f = fopen(path, "rb");
    assert_non_null(f);
    fseek(f, 0, SEEK_END);
    const long n = ftell(f);
    rewind(f);
    char *text = calloc((size_t)n + 1, 1);
    assert_int_equal(fread(text, 1, (size_t)n, f), n);
    fclose(f);
    return text;
}

struct place {
    char out[600], err[600];
};

/* Where the streams go: NAME.out and NAME.err. */
static struct place place_of(const char *name)
{
    struct place p;
    snprintf(p.out, sizeof p.out, "%s/%s.out", test_folder(), name);
    snprintf(p.err, sizeof p.err, "%s/%s.err", test_folder(), name);
    return p;
}

static void line_of(const char *command, const struct place *p, char *line, size_t room)
{
    const char *build = getenv("STADDLE_BUILD");
    const int n = snprintf(line, room, "PATH=\"$(cd '%s' && pwd):$PATH\"; { %s\n} >'%s' 2>'%s' </dev/null",
                           build ? build : "build", command, p->out, p->err);
    assert_in_range(n, 1, room - 1);
}

static struct said say(const char *command)
{
    char line[8192];
    const struct place p = place_of("said");
    line_of(command, &p, line, sizeof line);
    const int rc = system(line);
    assert_true(WIFEXITED(rc));
    return (struct said){WEXITSTATUS(rc), read_file(p.out), read_file(p.err)};
}

struct said program(const char *format, ...)
{
    char command[4096] = "staddle ";
    va_list args;
    va_start(args, format);
    vsnprintf(command + 8, sizeof command - 8, format, args);
    va_end(args);
    return say(command);
}

struct said shell(const char *format, ...)
{
    char command[4096];
    va_list args;
    va_start(args, format);
    vsnprintf(command, sizeof command, format, args);
    va_end(args);
    return say(command);
}

void said_clear(struct said *s)
{
    free(s->out);
    free(s->err);
    *s = (struct said){0};
}

/* ---- beside the test */

static pid_t beside;

void program_begin(const char *format, ...)
{
    char command[4096] = "exec staddle ", line[8192];
    const struct place p = place_of("beside");
    va_list args;
    va_start(args, format);
    vsnprintf(command + 13, sizeof command - 13, format, args);
    va_end(args);
    line_of(command, &p, line, sizeof line);
    unlink(p.out);
    unlink(p.err);
    beside = fork();
    assert_true(beside >= 0);
    if (beside) return;
    execl("/bin/sh", "sh", "-c", line, (char *)NULL);
    _exit(127);
}

static bool is_in(const char *path, const char *text)
{
    if (access(path, F_OK)) return false;
    char *all = read_file(path);
    const bool there = strstr(all, text) != NULL;
    free(all);
    return there;
}

void program_has_said(const char *text)
{
    const struct place p = place_of("beside");
    for (int ms = 0; ms < SAY_MOST_MS; ms += 10, usleep(10000))
        if (is_in(p.out, text) || is_in(p.err, text)) return;
    fail_msg("it has not said '%s'", text);
}

struct said program_interrupt(void)
{
    const struct place p = place_of("beside");
    int status;
    assert_int_equal(kill(beside, SIGINT), 0);
    assert_int_equal(waitpid(beside, &status, 0), beside);
    assert_true(WIFEXITED(status));
    return (struct said){WEXITSTATUS(status), read_file(p.out), read_file(p.err)};
}
