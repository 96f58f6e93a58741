#include "tests/fuzz/fuzz.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

_Noreturn void fuzz_broken(const char *what, const char *file, int line)
{
    fprintf(stderr, "%s:%d: does not hold: %s\n", file, line, what);
    abort();
}

static char folder[64];

static void remove_folder(void)
{
    char command[192];
    snprintf(command, sizeof command, "chmod -R u+w '%s'; rm -rf '%s'", folder, folder);
    if (system(command)) fprintf(stderr, "could not remove %s\n", folder);
}

const char *fuzz_folder(void)
{
    if (folder[0]) return folder;
    snprintf(folder, sizeof folder, "%s/staddle-fuzz-XXXXXX", access("/dev/shm", W_OK) ? "/tmp" : "/dev/shm");
    FUZZ_HOLDS(mkdtemp(folder) != NULL);
    atexit(remove_folder);
    return folder;
}

void fuzz_write(const char *path, const uint8_t *bytes, size_t count)
{
    unlink(path);
    const int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
    FUZZ_HOLDS(fd >= 0);
    while (count) {
        const ssize_t n = write(fd, bytes, count);
        FUZZ_HOLDS(n > 0);
        bytes += n;
        count -= (size_t)n;
    }
    close(fd);
}

uint16_t fuzz_crc16(const uint8_t *bytes, size_t count)
{
    uint16_t crc = 0xffff;
    for (size_t i = 0; i < count; i++) {
        crc = (uint16_t)(crc ^ bytes[i]);
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)(crc & 1 ? crc >> 1 ^ 0x8408 : crc >> 1);
    }
    return crc;
}

uint32_t fuzz_crc32(const uint8_t *bytes, size_t count)
{
    uint32_t crc = 0xffffffff;
    for (size_t i = 0; i < count; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ 0xedb88320 : crc >> 1;
    }
    return ~crc;
}

static int hex(char c)
{
    return c >= '0' && c <= '9' ? c - '0' : c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

static long hex_number(const char *text, int digits)
{
    long v = 0;
    for (int i = 0; i < digits; i++) {
        if (hex(text[i]) < 0) return -1;
        v = 16 * v + hex(text[i]);
    }
    return v;
}

bool fuzz_line_is_right(const char *line, size_t count)
{
    if (count < 12 || count > 94 || hex_number(line, 2) < 0 || line[2] != ' ' || line[5] != ' ') return false;
    return hex_number(line + 3, 2) == (long)count && line[count - 5] == ' ' &&
           hex_number(line + count - 4, 4) == fuzz_crc16((const uint8_t *)line, count - 4);
}

size_t fuzz_line(uint8_t seq, const char *body, size_t count, char *out, size_t room)
{
    const size_t whole = 6 + count + 5;
    if (whole + 2 > room || whole > 255) return 0;
    char head[8], tail[8];
    snprintf(head, sizeof head, "%02x %02x ", seq, (unsigned)whole);
    memcpy(out, head, 6);
    memcpy(out + 6, body, count);
    out[6 + count] = ' ';
    snprintf(tail, sizeof tail, "%04x\n", fuzz_crc16((const uint8_t *)out, 7 + count));
    memcpy(out + 7 + count, tail, 6); /* with its NUL */
    return whole + 1;
}

bool fuzz_next_line(struct fuzz_text *t, const char **line, size_t *count)
{
    if (!t->left) return false;
    const char *end = memchr(t->at, '\n', t->left);
    *line = t->at;
    *count = end ? (size_t)(end - t->at) : t->left;
    const size_t used = *count + (end ? 1 : 0);
    t->at += used;
    t->left -= used;
    return true;
}

int64_t fuzz_number(const char **at, size_t *left)
{
    int64_t v = 0;
    bool minus = false;
    while (*left && **at == ' ') {
        ++*at;
        --*left;
    }
    if (*left && **at == '-') {
        minus = true;
        ++*at;
        --*left;
    }
    for (; *left && **at >= '0' && **at <= '9'; ++*at, --*left)
        if (v < INT64_MAX / 10 - 10) v = 10 * v + (**at - '0');
    return minus ? -v : v;
}
