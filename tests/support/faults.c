#include "tests/support/faults.h"

#include <errno.h>
#include <stdatomic.h>
#include <stdio.h>
#include <unistd.h>

#include "base/fs.h"

static long countdown, calls;
static bool happened, dead, for_good;

bool faults_due(int error)
{
    calls++;
    if (!dead && (countdown == 0 || --countdown > 0)) return false;
    dead = for_good;
    happened = true;
    errno = error;
    return true;
}

static atomic_bool full;

void faults_full(bool is)
{
    atomic_store(&full, is);
}

bool faults_is_full(void)
{
    return atomic_load(&full);
}

static int64_t room(const char *path)
{
    (void)path;
    return faults_is_full() ? 0 : INT64_MAX;
}

static long bad_write(int fd, const void *bytes, size_t count)
{
    if (faults_is_full()) {
        errno = ENOSPC;
        return -1;
    }
    if (!faults_due(ENOSPC)) return write(fd, bytes, count);
    if (count > 1 && write(fd, bytes, count / 2) < 0) return -1;
    errno = ENOSPC;
    return -1;
}

static int bad_sync(int fd)
{
    (void)fd;
    return faults_due(EIO) ? -1 : 0;
}

static int bad_rename(const char *from, const char *to)
{
    return faults_due(EIO) ? -1 : rename(from, to);
}

void faults_at(long n)
{
    static const struct fs_ops ops = {
        .write = bad_write, .sync = bad_sync, .rename = bad_rename, .room = room};
    countdown = n;
    calls = 0;
    happened = dead = for_good = false;
    fs_use(&ops);
}

void faults_dead_from(long n)
{
    faults_at(n);
    for_good = true;
}

bool faults_happened(void)
{
    return happened;
}

long faults_calls(void)
{
    return calls;
}

void faults_off(void)
{
    fs_use(NULL);
}
