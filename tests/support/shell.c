#include "tests/support/shell.h"

#include "tests/support/test.h"

#include <limits.h>
#include <sys/wait.h>
#include <unistd.h>

char *in_folder(const char *format, ...)
{
    static char paths[16][PATH_MAX];
    static int turn;
    char name[1024], *out = paths[turn++ % 16];
    va_list ap;
    va_start(ap, format);
    vsnprintf(name, sizeof name, format, ap);
    va_end(ap);
    snprintf(out, PATH_MAX, "%s/%s", test_folder(), name);
    return out;
}

const char *staddle_program(void)
{
    static char path[PATH_MAX];
    const char *build = getenv("STADDLE_BUILD");
    char name[PATH_MAX];
    snprintf(name, sizeof name, "%s/staddle", build ? build : "build");
    assert_non_null(realpath(name, path));
    return path;
}

int in_shell(const char *format, ...)
{
    char command[4096], line[8192];
    va_list ap;
    va_start(ap, format);
    vsnprintf(command, sizeof command, format, ap);
    va_end(ap);
    snprintf(line, sizeof line, "cd '%s' && { %s\n} >.out 2>.err", test_folder(), command);
    const int status = system(line);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 256;
}

static const char *slurp(const char *name, char *room, size_t size)
{
    FILE *f = fopen(in_folder("%s", name), "rb");
    assert_non_null(f);
    room[fread(room, 1, size - 1, f)] = '\0';
    fclose(f);
    return room;
}

const char *shell_out(void)
{
    static char text[1 << 16];
    return slurp(".out", text, sizeof text);
}

const char *shell_err(void)
{
    static char text[1 << 14];
    return slurp(".err", text, sizeof text);
}

const char *fingerprint(const char *folder)
{
    static char prints[4][80];
    static int turn;
    char *out = prints[turn++ % 4];
    assert_int_equal(in_shell("cd '%s' && { find . ! -type d -printf '%%p %%m %%s %%T@ %%l\\n' | sort; find "
                              ". -type d | sort; find . -type f -print0 | sort -z |"
                              " xargs -0 -r sha256sum; } | sha256sum",
                              folder),
                     0);
    snprintf(out, 80, "%.64s", shell_out());
    return out;
}
