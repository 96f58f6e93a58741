#include "store/hash.h"

#include <errno.h>
#include <fcntl.h>
#include <nettle/sha2.h>
#include <sys/stat.h>
#include <unistd.h>

static void finish(struct sha256_ctx *ctx, char out[SHA256_ROOM])
{
    static const char digits[] = "0123456789abcdef";
    uint8_t raw[SHA256_DIGEST_SIZE];
    sha256_digest(ctx, sizeof raw, raw);
    for (size_t i = 0; i < sizeof raw; i++) {
        out[2 * i] = digits[raw[i] >> 4];
        out[2 * i + 1] = digits[raw[i] & 15];
    }
    out[2 * sizeof raw] = '\0';
}

void sha256_bytes(const void *bytes, size_t count, char out[SHA256_ROOM])
{
    struct sha256_ctx ctx;
    sha256_init(&ctx);
    sha256_update(&ctx, count, bytes);
    finish(&ctx, out);
}

static int update_from(int fd, struct sha256_ctx *ctx, const char *path, int64_t *total, struct err *why)
{
    uint8_t buffer[1 << 16];
    for (;;) {
        ssize_t n = read(fd, buffer, sizeof buffer);
        if (n < 0 && errno == EINTR) continue;
        if (n < 0) return fail_errno(why, E_IO, "%s: cannot read", path);
        if (n == 0) return E_OK;
        sha256_update(ctx, (size_t)n, buffer);
        *total += n;
    }
}

int sha256_file(const char *path, char out[SHA256_ROOM], int64_t *bytes_out, struct err *why)
{
    struct stat info;
    struct sha256_ctx ctx;
    int64_t total = 0;
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK);
    if (fd < 0) return fail_errno(why, E_IO, "%s: cannot read", path);
    sha256_init(&ctx);
    int rc = fstat(fd, &info) == 0 && S_ISREG(info.st_mode)
                 ? E_OK
                 : fail(why, E_IO, "%s: is no ordinary file", path);
    (void)posix_fadvise(fd, 0, 0,
                        POSIX_FADV_DONTNEED); /* what is synced is read from the disk, not from memory */
    if (!rc) rc = update_from(fd, &ctx, path, &total, why);
    close(fd);
    if (rc) return rc;
    finish(&ctx, out);
    if (bytes_out) *bytes_out = total;
    return E_OK;
}
