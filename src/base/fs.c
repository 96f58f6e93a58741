#include "base/fs.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/fs.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "base/mem.h"

static long os_write(int fd, const void *bytes, size_t count)
{
    return write(fd, bytes, count);
}

static const struct fs_ops os_ops = {.write = os_write, .sync = fsync, .rename = rename};
static const struct fs_ops *ops = &os_ops;

void fs_use(const struct fs_ops *other)
{
    ops = other ? other : &os_ops;
}

/* A full disk is waited for, any other trouble with it is not. */
static enum errc no_room(void)
{
    return errno == ENOSPC || errno == EDQUOT ? E_FULL : E_IO;
}

int64_t fs_room(const char *path)
{
    struct statvfs st;
    if (ops->room) return ops->room(path);
    if (statvfs(path, &st)) return -1;
    return (int64_t)(st.f_bavail * (st.f_frsize ? st.f_frsize : st.f_bsize));
}

bool fs_exists(const char *path)
{
    struct stat st;
    return lstat(path, &st) == 0;
}

int fs_join(char *out, size_t room, const char *dir, const char *name, struct err *why)
{
    int n = snprintf(out, room, "%s/%s", dir, name);
    if (n < 0 || (size_t)n >= room)
        return fail(why, E_INPUT, "%.60s...: the path is too long; use a shorter folder", dir);
    return E_OK;
}

int fs_make_dir(const char *path, struct err *why)
{
    if (mkdir(path, 0777) == 0) return E_OK;
    if (errno == EEXIST) return fail(why, E_STATE, "%s: exists already; choose another folder", path);
    if (errno == EACCES || errno == EPERM || errno == EROFS)
        return fail(why, E_INPUT, "%s: no right to write there; choose another folder", path);
    return fail_errno(why, no_room(), "%s: cannot make the folder", path);
}

int fs_sync_dir(const char *path, struct err *why)
{
    int fd = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0) return fail_errno(why, E_IO, "%s: cannot open the folder", path);
    int rc = ops->sync(fd) == 0 ? E_OK : fail_errno(why, no_room(), "%s: cannot sync the folder", path);
    close(fd);
    return rc;
}

static int write_all(int fd, const void *bytes, size_t count, const char *path, struct err *why)
{
    const char *p = bytes;
    while (count) {
        long n = ops->write(fd, p, count);
        if (n < 0 && errno == EINTR) continue;
        if (n <= 0) return fail_errno(why, no_room(), "%s: cannot write", path);
        p += n;
        count -= (size_t)n;
    }
    return E_OK;
}

int fs_rename(const char *from, const char *to, struct err *why)
{
    if (ops->rename(from, to) == 0) return E_OK;
    return fail_errno(why, no_room(), "%s: cannot rename to %s", from, to);
}

/* Opens TO.part for writing; the caller finishes it with end_part. */
static int begin_part(const char *to, char part[PATH_MAX], int *fd_out, struct err *why)
{
    if (fs_exists(to)) return fail(why, E_STATE, "%s: exists already; nothing was changed", to);
    int n = snprintf(part, PATH_MAX, "%s.part", to);
    if (n < 0 || n >= PATH_MAX)
        return fail(why, E_INPUT, "%.60s...: the path is too long; use a shorter folder", to);
    unlink(part); /* what a killed process left may be read-only already */
    *fd_out = open(part, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0666);
    if (*fd_out < 0) return fail_errno(why, no_room(), "%s: cannot write", part);
    return E_OK;
}

static int end_part(const char *part, const char *to, int fd, unsigned mode, int rc, struct err *why)
{
    if (!rc && fchmod(fd, mode)) rc = fail_errno(why, E_IO, "%s: cannot set its mode", part);
    if (!rc && ops->sync(fd)) rc = fail_errno(why, no_room(), "%s: cannot sync", part);
    if (close(fd) && !rc) rc = fail_errno(why, no_room(), "%s: cannot close", part);
    if (!rc) rc = fs_rename(part, to, why);
    if (rc) {
        unlink(part);
        return rc;
    }
    char dir[PATH_MAX];
    snprintf(dir, sizeof dir, "%s", to);
    char *slash = strrchr(dir, '/');
    if (slash) *slash = '\0';
    return fs_sync_dir(slash ? (dir[0] ? dir : "/") : ".", why);
}

int fs_put(const char *dir, const char *name, const void *bytes, size_t count, unsigned mode, struct err *why)
{
    char to[PATH_MAX], part[PATH_MAX];
    int fd;
    int rc = fs_join(to, sizeof to, dir, name, why);
    if (!rc) rc = begin_part(to, part, &fd, why);
    if (rc) return rc;
    return end_part(part, to, fd, mode, write_all(fd, bytes, count, part, why), why);
}

int fs_replace(const char *dir, const char *name, const void *bytes, size_t count, struct err *why)
{
    char to[PATH_MAX], part[PATH_MAX];
    int rc = fs_join(to, sizeof to, dir, name, why);
    if (rc) return rc;
    int n =
        snprintf(part, sizeof part, "%s.part%ld", to, (long)getpid()); /* another process may be at it, too */
    if (n < 0 || n >= (int)sizeof part) return fail(why, E_INPUT, "%.60s...: the path is too long", to);
    int fd = open(part, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0666);
    if (fd < 0) return fail_errno(why, no_room(), "%s: cannot write", part);
    rc = write_all(fd, bytes, count, part, why);
    if (close(fd) && !rc) rc = fail_errno(why, no_room(), "%s: cannot close", part);
    if (!rc) rc = fs_rename(part, to, why);
    if (rc) unlink(part);
    return rc;
}

static int copy_bytes(int in, int out, const char *from, const char *to, struct err *why)
{
    if (ioctl(out, FICLONE, in) == 0) return E_OK;
    char buffer[1 << 16];
    for (;;) {
        ssize_t n = read(in, buffer, sizeof buffer);
        if (n < 0 && errno == EINTR) continue;
        if (n < 0) return fail_errno(why, E_IO, "%s: cannot read", from);
        if (n == 0) return E_OK;
        int rc = write_all(out, buffer, (size_t)n, to, why);
        if (rc) return rc;
    }
}

int fs_copy(const char *from, const char *to, unsigned mode, struct err *why)
{
    char part[PATH_MAX];
    int out;
    int in = open(from, O_RDONLY | O_CLOEXEC);
    if (in < 0) return fail_errno(why, E_IO, "%s: cannot read", from);
    int rc = begin_part(to, part, &out, why);
    if (!rc) rc = end_part(part, to, out, mode, copy_bytes(in, out, from, part, why), why);
    close(in);
    return rc;
}

int fs_read(const char *path, size_t most, uint8_t **bytes_out, size_t *count_out, struct err *why)
{
    FILE *f = fopen(path, "rbe");
    if (!f) return fail_errno(why, E_INPUT, "%s: cannot open", path);
    struct stat st;
    int rc = E_OK;
    uint8_t *bytes = NULL;
    size_t got = 0;
    if (fstat(fileno(f), &st))
        rc = fail_errno(why, E_IO, "%s: cannot look at", path);
    else if (!S_ISREG(st.st_mode))
        rc = fail(why, E_INPUT, "%s: is not a file; name a file", path);
    else if ((uint64_t)st.st_size > most)
        rc = fail(why, E_INPUT, "%s: larger than %zu bytes, which no such file is; name another", path, most);
    else if (!(bytes = mem_new((size_t)st.st_size + 1, 1, why)))
        rc = E_NOMEM;
    else if ((got = fread(bytes, 1, (size_t)st.st_size, f)) < (size_t)st.st_size && ferror(f))
        rc = fail_errno(why, E_IO, "%s: cannot read", path);
    fclose(f);
    if (rc) {
        mem_free(bytes);
        return rc;
    }
    *bytes_out = bytes;
    *count_out = got;
    return E_OK;
}
