#include "tests/support/test.h"

#include "program.h"

#include <stdarg.h>
#include <sys/wait.h>

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

static struct said say(const char *command)
{
    char line[8192], out[600], err[600];
    const char *build = getenv("STADDLE_BUILD");
    snprintf(out, sizeof out, "%s/said.out", test_folder());
    snprintf(err, sizeof err, "%s/said.err", test_folder());
    const int n =
        snprintf(line, sizeof line, "PATH=\"$(cd '%s' && pwd):$PATH\"; { %s\n} >'%s' 2>'%s' </dev/null",
                 build ? build : "build", command, out, err);
    assert_in_range(n, 1, sizeof line - 1);
    const int rc = system(line);
    assert_true(WIFEXITED(rc));
    return (struct said){WEXITSTATUS(rc), read_file(out), read_file(err)};
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
