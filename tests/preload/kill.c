/* kill.c - preloaded into a host: kills it (SIGKILL), and the bench's process too if wanted, before or after
 * the n-th call that leaves something outside of the process: a write, a sync, a rename, a deletion, bytes to
 * the rail, a word to the camera. What counts and when is in the page that FAR_PAGE names. Syncs are counted
 * and not made: a process that is killed loses nothing that it has written. */
#include <dlfcn.h>
#include <fcntl.h>
#include <signal.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/types.h>
#include <unistd.h>

#include "tests/support/far_page.h"

static struct far_page *page;

static void *next(const char *name)
{
    return dlsym(RTLD_NEXT, name);
}

__attribute__((constructor)) static void start(void)
{
    const char *path = getenv(FAR_ENV);
    int fd = path ? open(path, O_RDWR | O_CLOEXEC) : -1;
    if (fd < 0) return;
    void *p = mmap(NULL, sizeof *page, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (p != MAP_FAILED) page = p;
    close(fd);
}

static void die(enum far_kind kind)
{
    page->killed_kind = (int32_t)kind;
    page->killed_phase = page->phase;
    if (page->kill_also) kill(page->kill_also, SIGKILL);
    kill(getpid(), SIGKILL);
}

static int64_t before(enum far_kind kind)
{
    if (!page) return 0;
    int64_t n = __atomic_add_fetch(&page->calls, 1, __ATOMIC_SEQ_CST);
    if (n == page->kill_at && !page->kill_after) die(kind);
    return n;
}

static void after(enum far_kind kind, int64_t n)
{
    if (n && n == page->kill_at && page->kill_after) die(kind);
}

ssize_t write(int fd, const void *bytes, size_t count)
{
    ssize_t (*real)(int, const void *, size_t) = (ssize_t(*)(int, const void *, size_t))next("write");
    if (fd <= 2) return real(fd, bytes, count);
    int64_t n = before(FAR_WRITE);
    ssize_t did = real(fd, bytes, count);
    after(FAR_WRITE, n);
    return did;
}

ssize_t pwrite64(int fd, const void *bytes, size_t count, off64_t at)
{
    ssize_t (*real)(int, const void *, size_t, off64_t) =
        (ssize_t(*)(int, const void *, size_t, off64_t))next("pwrite64");
    int64_t n = before(FAR_WRITE);
    ssize_t did = real(fd, bytes, count, at);
    after(FAR_WRITE, n);
    return did;
}

ssize_t pwrite(int fd, const void *bytes, size_t count, off_t at)
{
    return pwrite64(fd, bytes, count, at);
}

int fsync(int fd)
{
    (void)fd;
    after(FAR_SYNC, before(FAR_SYNC));
    return 0;
}

int fdatasync(int fd)
{
    return fsync(fd);
}

int rename(const char *from, const char *to)
{
    int (*real)(const char *, const char *) = (int (*)(const char *, const char *))next("rename");
    int64_t n = before(FAR_RENAME);
    int did = real(from, to);
    after(FAR_RENAME, n);
    return did;
}

int unlink(const char *path)
{
    int (*real)(const char *) = (int (*)(const char *))next("unlink");
    int64_t n = before(FAR_UNLINK);
    int did = real(path);
    after(FAR_UNLINK, n);
    return did;
}

ssize_t send(int fd, const void *bytes, size_t count, int flags)
{
    ssize_t (*real)(int, const void *, size_t, int) =
        (ssize_t(*)(int, const void *, size_t, int))next("send");
    int32_t word = FAR_DOES_NOTHING;
    if (count >= sizeof word) memcpy(&word, bytes, sizeof word);
    if (word < FAR_SEND || word >= FAR_DOES_NOTHING) return real(fd, bytes, count, flags);
    enum far_kind kind = word == FAR_SEND ? FAR_SERIAL : FAR_CAMERA;
    int64_t n = before(kind);
    ssize_t did = real(fd, bytes, count, flags);
    after(kind, n);
    return did;
}
