#include "camera/home.h"

#include <errno.h>
#include <limits.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>

/* Each folder on the way. */
static bool make_path(char *path)
{
    for (char *p = path + 1; *p; p++) {
        if (*p != '/') continue;
        *p = '\0';
        const bool made = !mkdir(path, 0700) || errno == EEXIST;
        *p = '/';
        if (!made) return false;
    }
    return !mkdir(path, 0700) || errno == EEXIST;
}

void home_of_our_own(void)
{
    char path[PATH_MAX];
    const char *state = getenv("XDG_STATE_HOME"), *home = getenv("HOME");
    int n = -1;
    if (state && *state == '/')
        n = snprintf(path, sizeof path, "%s/staddle/camera", state);
    else if (home && *home == '/')
        n = snprintf(path, sizeof path, "%s/.local/state/staddle/camera", home);
    const bool there = n > 0 && n < (int)sizeof path && make_path(path);
    setenv("HOME", there ? path : "/dev/null", 1);
}
