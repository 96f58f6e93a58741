#include "tests/support/faults.h"

#include <errno.h>
#include <stdio.h>
#include <unistd.h>

#include "base/fs.h"

static long countdown, calls;
static bool happened;

static bool due(int error)
{
    calls++;
    if (countdown == 0 || --countdown > 0) return false;
    happened = true;
    errno = error;
    return true;
}

static long bad_write(int fd, const void *bytes, size_t count)
{
    if (!due(ENOSPC)) return write(fd, bytes, count);
    if (count > 1 && write(fd, bytes, count / 2) < 0) return -1;
    errno = ENOSPC;
    return -1;
}

static int bad_sync(int fd)
{
    (void)fd;
    return due(EIO) ? -1 : 0;
}

static int bad_rename(const char *from, const char *to)
{
    return due(EIO) ? -1 : rename(from, to);
}

void faults_at(long n)
{
    static const struct fs_ops ops = {bad_write, bad_sync, bad_rename};
    countdown = n;
    calls = 0;
    happened = false;
    fs_use(&ops);
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
