#include "base/holder.h"

#include <dirent.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* The same file, or another name of the same device. */
static bool same(const struct stat *a, const struct stat *b)
{
    const bool device = S_ISCHR(a->st_mode) && S_ISCHR(b->st_mode) && a->st_rdev == b->st_rdev;
    return device || (a->st_dev == b->st_dev && a->st_ino == b->st_ino);
}

static bool has_open(const char *pid, const struct stat *what)
{
    char dir[300];
    struct stat open;
    snprintf(dir, sizeof dir, "/proc/%.20s/fd", pid);
    DIR *d = opendir(dir);
    bool found = false;
    if (!d) return false;
    for (struct dirent *e; !found && (e = readdir(d));)
        found = e->d_name[0] != '.' && !fstatat(dirfd(d), e->d_name, &open, 0) && same(&open, what);
    closedir(d);
    return found;
}

void find_holder(const char *path, char *out, size_t room)
{
    struct stat what;
    char comm_path[64], comm[32] = "a program";
    DIR *d = stat(path, &what) ? NULL : opendir("/proc");
    out[0] = '\0';
    if (!d) return;
    for (struct dirent *e; !out[0] && (e = readdir(d));) {
        long pid = strtol(e->d_name, NULL, 10);
        if (pid <= 0 || pid == (long)getpid() || !has_open(e->d_name, &what)) continue;
        snprintf(comm_path, sizeof comm_path, "/proc/%ld/comm", pid);
        FILE *f = fopen(comm_path, "r");
        if (f && fgets(comm, sizeof comm, f)) comm[strcspn(comm, "\n")] = '\0';
        if (f) fclose(f);
        snprintf(out, room, "%s (process %ld)", comm, pid);
    }
    closedir(d);
}
