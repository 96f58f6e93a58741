#include "tests/support/test.h"

#include <unistd.h>

static char folder[128];

static void remove_folder(void)
{
    char command[320];
    snprintf(command, sizeof command, "chmod -R u+w '%s'; rm -rf '%s'", folder, folder);
    if (system(command)) fprintf(stderr, "could not remove %s\n", folder);
}

const char *test_folder(void)
{
    if (folder[0]) return folder;
    const char *base = getenv("TMPDIR");
    snprintf(folder, sizeof folder, "%s/staddle-XXXXXX", base ? base : "/tmp");
    if (!mkdtemp(folder)) {
        perror(folder);
        exit(1);
    }
    atexit(remove_folder);
    return folder;
}

void test_near(double actual, double wanted, double tolerance, const char *what, const char *file, int line)
{
    if (fabs(actual - wanted) <= tolerance) return;
    print_error("%s is %.12g, wanted %.12g within %.3g\n", what, actual, wanted, tolerance);
    _fail(file, line);
}
