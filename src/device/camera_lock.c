#include "device/camera_lock.h"

#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/holder.h"

/* A folder that nobody else may write in. */
static int lock_dir(char out[PATH_MAX], struct err *why)
{
    struct stat st;
    const char *runtime = getenv("XDG_RUNTIME_DIR");
    const int n = runtime && *runtime == '/'
                      ? snprintf(out, PATH_MAX, "%s/staddle", runtime)
                      : snprintf(out, PATH_MAX, "/tmp/staddle-%lu", (unsigned long)getuid());
    if (n >= PATH_MAX) return fail(why, E_INPUT, "XDG_RUNTIME_DIR: the path is too long");
    if (mkdir(out, 0700) && errno != EEXIST)
        return fail_errno(why, E_IO, "%s: cannot be made, and the camera not be locked", out);
    if (lstat(out, &st) || !S_ISDIR(st.st_mode) || st.st_uid != getuid())
        return fail(why, E_IO, "%s: is not a folder of yours; remove it", out);
    return E_OK;
}

/* The port as a file name; the first camera that is found has a name, too. */
static void name_of(const char *port, char out[128])
{
    size_t n = 0;
    if (!*port) port = "first";
    for (; *port && n < 127; port++)
        out[n++] = isalnum((unsigned char)*port) ? *port : '-';
    out[n] = '\0';
}

int camera_lock_take(const char *port, int *fd_out, struct err *why)
{
    char dir[PATH_MAX], name[128], path[PATH_MAX + 160], holder[64];
    int rc = lock_dir(dir, why);
    if (rc) return rc;
    name_of(port, name);
    snprintf(path, sizeof path, "%s/camera-%s.lock", dir, name);
    const int fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0600);
    if (fd < 0) return fail_errno(why, E_IO, "%s: cannot be opened", path);
    if (!flock(fd, LOCK_EX | LOCK_NB)) {
        *fd_out = fd;
        return E_OK;
    }
    close(fd);
    find_holder(path, holder, sizeof holder);
    return fail(why, E_STATE, "camera: it is held by %s; wait until that is done, or stop it",
                holder[0] ? holder : "another staddle");
}

void camera_lock_let_go(int fd)
{
    if (fd >= 0) close(fd);
}
