/* kill.c - preloaded into a host: kills it (SIGKILL), and the bench's process too if wanted, before or after
 * the n-th call that leaves something outside of the process: a write, a sync, a rename, a deletion, bytes to
 * the rail, a word to the camera. What counts and when is in the page that FAR_PAGE names. Syncs are counted
 * and not made: a process that is killed loses nothing that it has written.
 *
 * A power cut loses more. For that each write's place is remembered as it was until the file is synced, each
 * rename until its folder is; at the end these are taken back, newest first: all of them (dropped), or of a
 * write only what lies behind a boundary of 512 bytes somewhere inside it (torn). */
#include <dlfcn.h>
#include <fcntl.h>
#include <signal.h>
#include <stddef.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/stat.h>
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

/* ---- what is not on the disk yet */

#define UNDONE_MOST 4096
#define SECTOR      512

struct undo {
    dev_t dev;
    ino_t ino;     /* of the file, or of the folder for a rename */
    char *path;    /* of the file: by its descriptor it may be closed by then */
    char *renamed; /* to; path is from */
    unsigned char *was;
    size_t count; /* bytes that were there */
    off_t at, size;
    size_t wrote;
};

static struct undo undone[UNDONE_MOST];
static int undone_count;
static pthread_mutex_t undo_lock = PTHREAD_MUTEX_INITIALIZER;

static struct undo *new_undo(void)
{
    if (undone_count == UNDONE_MOST) abort();
    struct undo *u = &undone[undone_count++];
    memset(u, 0, sizeof *u);
    return u;
}

static void remember_write(int fd, size_t count, off_t at)
{
    struct stat st;
    char link[64], path[4096];
    if (!page || !page->power || fstat(fd, &st) || !S_ISREG(st.st_mode)) return;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0) abort();
    path[n] = 0;
    pthread_mutex_lock(&undo_lock);
    struct undo *u = new_undo();
    u->dev = st.st_dev;
    u->ino = st.st_ino;
    u->path = strdup(path);
    u->at = at < 0 ? lseek(fd, 0, SEEK_CUR) : at;
    u->size = st.st_size;
    u->wrote = count;
    u->was = malloc(count + 1);
    int again = open(path, O_RDONLY | O_CLOEXEC); /* fd may be for writing only */
    ssize_t got = again < 0 ? 0 : pread(again, u->was, count, u->at);
    if (again >= 0) close(again);
    u->count = got > 0 ? (size_t)got : 0;
    pthread_mutex_unlock(&undo_lock);
}

static void folder_of(const char *path, char out[4096])
{
    snprintf(out, 4096, "%s", path);
    char *slash = strrchr(out, '/');
    if (slash) *slash = 0;
}

static void remember_rename(const char *from, const char *to)
{
    struct stat st;
    char dir[4096];
    if (!page || !page->power) return;
    folder_of(to, dir);
    if (stat(dir, &st)) return;
    pthread_mutex_lock(&undo_lock);
    struct undo *u = new_undo();
    u->dev = st.st_dev;
    u->ino = st.st_ino;
    u->path = strdup(from);
    u->renamed = strdup(to);
    pthread_mutex_unlock(&undo_lock);
}

static void forget(int fd)
{
    struct stat st;
    if (!page || !page->power || page->lying || fstat(fd, &st)) return;
    pthread_mutex_lock(&undo_lock);
    int kept = 0;
    for (int i = 0; i < undone_count; i++)
        if (undone[i].dev != st.st_dev || undone[i].ino != st.st_ino) undone[kept++] = undone[i];
    undone_count = kept;
    pthread_mutex_unlock(&undo_lock);
}

static void take_back(const struct undo *u)
{
    ssize_t (*real)(int, const void *, size_t, off_t) =
        (ssize_t(*)(int, const void *, size_t, off_t))next("pwrite64");
    int (*real_rename)(const char *, const char *) = (int (*)(const char *, const char *))next("rename");
    if (u->renamed) {
        if (page->power == FAR_DROPPED) real_rename(u->renamed, u->path);
        return;
    }
    size_t from = 0;
    if (page->power == FAR_TORN) {
        off_t edge = (u->at / SECTOR + 1 + (off_t)(u->wrote / SECTOR / 2)) * SECTOR; /* about the middle */
        from = edge > u->at ? (size_t)(edge - u->at) : 0;
        if (from >= u->wrote) return;
    }
    chmod(u->path, 0644);
    int fd = open(u->path, O_WRONLY | O_CLOEXEC);
    if (fd < 0) return; /* deleted meanwhile */
    if (from < u->count && real(fd, u->was + from, u->count - from, u->at + (off_t)from) < 0) abort();
    off_t end = u->at + (off_t)from;
    if (end < u->size) end = u->size;
    struct stat st;
    if (!fstat(fd, &st) && st.st_size > end && ftruncate(fd, end)) abort();
    close(fd);
}

static void cut_power(void)
{
    pthread_mutex_lock(&undo_lock); /* for good */
    while (undone_count)
        take_back(&undone[--undone_count]);
}

static void die(enum far_kind kind)
{
    if (page->power) cut_power();
    page->killed_kind = (int32_t)kind;
    page->killed_phase = page->phase;
    if (page->kill_also) kill(page->kill_also, SIGKILL);
    kill(getpid(), SIGKILL);
}

static bool is_the_one(enum far_kind kind, int64_t n)
{
    return n == page->kill_at || page->kill_cell == FAR_CELL(page->phase, (int32_t)kind);
}

static int64_t before(enum far_kind kind)
{
    if (!page) return 0;
    int64_t n = __atomic_add_fetch(&page->calls, 1, __ATOMIC_SEQ_CST);
    if (n < FAR_CALLS_MOST) {
        page->trace[n].phase = (int8_t)page->phase;
        page->trace[n].kind = (int8_t)kind;
    }
    if (!page->kill_after && is_the_one(kind, n)) die(kind);
    return n;
}

static void after(enum far_kind kind, int64_t n)
{
    if (n && page->kill_after && is_the_one(kind, n)) die(kind);
}

ssize_t write(int fd, const void *bytes, size_t count)
{
    ssize_t (*real)(int, const void *, size_t) = (ssize_t(*)(int, const void *, size_t))next("write");
    if (fd <= 2) return real(fd, bytes, count);
    int64_t n = before(FAR_WRITE);
    remember_write(fd, count, -1);
    ssize_t did = real(fd, bytes, count);
    after(FAR_WRITE, n);
    return did;
}

ssize_t pwrite64(int fd, const void *bytes, size_t count, off64_t at)
{
    ssize_t (*real)(int, const void *, size_t, off64_t) =
        (ssize_t(*)(int, const void *, size_t, off64_t))next("pwrite64");
    int64_t n = before(FAR_WRITE);
    remember_write(fd, count, at);
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
    int64_t n = before(FAR_SYNC);
    forget(fd);
    after(FAR_SYNC, n);
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
    if (!did) remember_rename(from, to);
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
