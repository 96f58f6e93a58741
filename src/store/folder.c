#include "store/folder.h"

#include <dirent.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/fs.h"

#define NAME_LONGEST 255
#define PARTS_MOST   99

bool folder_name_ok(const char *name)
{
    const size_t n = strlen(name);
    if (n == 0 || n > NAME_LONGEST || name[0] == '.') return false;
    for (const unsigned char *p = (const unsigned char *)name; *p; p++)
        if (*p == '/' || *p < 0x20 || *p == 0x7f) return false;
    return true;
}

static size_t without_slashes(const char *path)
{
    size_t n = strlen(path);
    while (n > 1 && path[n - 1] == '/')
        n--;
    return n;
}

void folder_base_name(const char *path, char *out, size_t room)
{
    size_t end = without_slashes(path), at = end;
    while (at > 0 && path[at - 1] != '/')
        at--;
    snprintf(out, room, "%.*s", (int)(end - at), path + at);
    if (!out[0] || !strcmp(out, ".") || !strcmp(out, "..") || !strcmp(out, "/")) snprintf(out, room, "stack");
}

static void parent_of(const char *path, char *out, size_t room)
{
    size_t end = without_slashes(path);
    while (end > 0 && path[end - 1] != '/')
        end--;
    while (end > 1 && path[end - 1] == '/')
        end--;
    if (end)
        snprintf(out, room, "%.*s", (int)end, path);
    else
        snprintf(out, room, ".");
}

bool folder_is_dir(const char *path)
{
    struct stat st;
    return lstat(path, &st) == 0 && S_ISDIR(st.st_mode);
}

bool folder_is_file(const char *path)
{
    struct stat st;
    return lstat(path, &st) == 0 && S_ISREG(st.st_mode);
}

static bool is_empty(const char *dir)
{
    DIR *d = opendir(dir);
    int n = 0;
    if (!d) return false;
    while (readdir(d))
        n++; /* "." and ".." are always there */
    closedir(d);
    return n <= 2;
}

/* An empty folder is as good as none: renaming onto it is allowed. */
static int check_unused(const char *dir, struct err *why)
{
    if (!fs_exists(dir) || (folder_is_dir(dir) && is_empty(dir))) return E_OK;
    return fail(why, E_INPUT, "%s: exists already; choose another folder", dir);
}

int folder_check_free(const char *dir, struct err *why)
{
    char parent[PATH_MAX];
    const size_t n = without_slashes(dir);
    if (n == 0) return fail(why, E_INPUT, "an empty folder name; name a folder");
    if (n + sizeof ".part99" > sizeof parent)
        return fail(why, E_INPUT, "%.60s...: the path is too long; use a shorter folder", dir);
    int rc = check_unused(dir, why);
    if (rc) return rc;
    parent_of(dir, parent, sizeof parent);
    return access(parent, F_OK) ? fail(why, E_INPUT, "%s: no such folder; make it first", parent) : E_OK;
}

int folder_begin(const char *dir, char *part, size_t room, struct err *why)
{
    const int n = (int)without_slashes(dir);
    int rc = folder_check_free(dir, why);
    if (rc) return rc;
    snprintf(part, room, "%.*s.part", n, dir);
    for (int i = 2; fs_exists(part) && i <= PARTS_MOST; i++)
        snprintf(part, room, "%.*s.part%d", n, dir, i);
    return fs_make_dir(part, why);
}

int folder_finish(const char *part, const char *dir, struct err *why)
{
    char parent[PATH_MAX], to[PATH_MAX];
    snprintf(to, sizeof to, "%.*s", (int)without_slashes(dir), dir);
    parent_of(dir, parent, sizeof parent);
    int rc = fs_sync_dir(part, why);
    if (!rc) rc = check_unused(to, why);
    const bool was_there = !rc && fs_exists(to);
    if (!rc) rc = fs_rename(part, to, why);
    if (rc) return rc;
    rc = fs_sync_dir(parent, why);
    if (!rc) return E_OK;
    (void)rename(to, part);
    if (was_there) (void)mkdir(to, 0777);
    return rc;
}

/* Removes the files in `dir`; on_folder, where there is one, takes the folders in it. */
static void empty(const char *dir, void (*on_folder)(const char *))
{
    DIR *d = opendir(dir);
    if (!d) return;
    for (struct dirent *e; (e = readdir(d));) {
        char path[PATH_MAX];
        if (!strcmp(e->d_name, ".") || !strcmp(e->d_name, "..")) continue;
        if (fs_join(path, sizeof path, dir, e->d_name, NULL)) continue;
        if (folder_is_dir(path) && on_folder)
            on_folder(path);
        else
            unlink(path);
    }
    closedir(d);
}

static void drop_flat(const char *dir)
{
    empty(dir, NULL);
    rmdir(dir);
}

void folder_drop(const char *part)
{
    empty(part, drop_flat);
    rmdir(part);
}
