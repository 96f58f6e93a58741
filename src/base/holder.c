#include "base/holder.h"

#include <dirent.h>
#include <limits.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define PATH_MOST 512

static bool has_open(const char *pid, const char *what)
{
    char dir[300], path[600], target[PATH_MOST];
    snprintf(dir, sizeof dir, "/proc/%.20s/fd", pid);
    DIR *d = opendir(dir);
    bool found = false;
    if (!d) return false;
    for (struct dirent *e; !found && (e = readdir(d));) {
        snprintf(path, sizeof path, "%s/%s", dir, e->d_name);
        ssize_t n = readlink(path, target, sizeof target - 1);
        if (n <= 0) continue;
        target[n] = '\0';
        found = !strcmp(target, what);
    }
    closedir(d);
    return found;
}

void find_holder(const char *path, char *out, size_t room)
{
    char what[PATH_MAX], comm_path[64], comm[32] = "a program";
    DIR *d = realpath(path, what) ? opendir("/proc") : NULL;
    out[0] = '\0';
    if (!d) return;
    for (struct dirent *e; !out[0] && (e = readdir(d));) {
        long pid = strtol(e->d_name, NULL, 10);
        if (pid <= 0 || pid == (long)getpid() || !has_open(e->d_name, what)) continue;
        snprintf(comm_path, sizeof comm_path, "/proc/%ld/comm", pid);
        FILE *f = fopen(comm_path, "r");
        if (f && fgets(comm, sizeof comm, f)) comm[strcspn(comm, "\n")] = '\0';
        if (f) fclose(f);
        snprintf(out, room, "%s (process %ld)", comm, pid);
    }
    closedir(d);
}
