#include "tests/support/test.h"

#include <sys/statvfs.h>
#include <unistd.h>

#define ROOM_ENOUGH (2ULL << 30) /* bytes */

static char folder[128];
static pid_t owner; /* a forked child must not remove it */

static void remove_folder(void)
{
    char command[320];
    if (getpid() != owner) return;
    snprintf(command, sizeof command, "chmod -R u+w '%s'; rm -rf '%s'", folder, folder);
    if (system(command)) fprintf(stderr, "could not remove %s\n", folder);
}

/* In memory where there is plenty of room: a test does not wait for a disk then. */
static const char *base_folder(void)
{
    static const char memory[] = "/dev/shm";
    struct statvfs fs;
    if (getenv("TMPDIR")) return getenv("TMPDIR");
    if (access(memory, W_OK) || statvfs(memory, &fs) || fs.f_bavail * fs.f_frsize < ROOM_ENOUGH)
        return "/tmp";
    return memory;
}

const char *test_folder(void)
{
    if (folder[0]) return folder;
    snprintf(folder, sizeof folder, "%s/staddle-XXXXXX", base_folder());
    if (!mkdtemp(folder)) {
        perror(folder);
        exit(1);
    }
    owner = getpid();
    atexit(remove_folder);
    return folder;
}

/* Programs started by tests remember their last job here, not in the home of whoever runs the tests. */
__attribute__((constructor)) static void keep_home_clean(void)
{
    char state[160];
    snprintf(state, sizeof state, "%s/state", test_folder());
    setenv("XDG_STATE_HOME", state, 1);
}

void test_near(double actual, double wanted, double tolerance, const char *what, const char *file, int line)
{
    if (fabs(actual - wanted) <= tolerance) return;
    print_error("%s is %.12g, wanted %.12g within %.3g\n", what, actual, wanted, tolerance);
    _fail(file, line);
}
