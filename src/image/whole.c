#include "image/whole.h"

#include <stdbool.h>
#include <string.h>

enum { SOI = 0xd8, EOI = 0xd9, SOS = 0xda, TEM = 0x01, RST0 = 0xd0, RST7 = 0xd7, FILL = 0xff };

static bool has_no_length(int marker)
{
    return marker == TEM || (marker >= RST0 && marker <= RST7) || marker == SOI;
}

/* Behind the entropy-coded data of a scan: at the next marker that is no restart; SIZE_MAX when there is
 * none. */
static size_t skip_scan(const uint8_t *b, size_t n, size_t at)
{
    while (at + 1 < n) {
        const uint8_t *ff = memchr(b + at, 0xff, n - 1 - at);
        if (!ff) return SIZE_MAX;
        at = (size_t)(ff - b);
        const int next = b[at + 1];
        if (next != 0 && next != FILL && !(next >= RST0 && next <= RST7)) return at;
        at += next == FILL ? 1 : 2;
    }
    return SIZE_MAX;
}

static bool jpeg_is_whole(const uint8_t *b, size_t n)
{
    size_t at = 2;
    while (at + 1 < n) {
        if (b[at] != 0xff) return false;
        const int marker = b[at + 1];
        if (marker == FILL) {
            at++;
            continue;
        }
        if (marker == EOI) return true;
        at += 2;
        if (has_no_length(marker)) continue;
        if (at + 2 > n) return false;
        at += (size_t)b[at] << 8 | b[at + 1];
        if (marker == SOS) at = skip_scan(b, n, at);
        if (at == SIZE_MAX) return false;
    }
    return false;
}

static bool png_is_whole(const uint8_t *b, size_t n)
{
    size_t at = 8;
    while (at + 12 <= n) {
        const size_t length =
            (size_t)b[at] << 24 | (size_t)b[at + 1] << 16 | (size_t)b[at + 2] << 8 | (size_t)b[at + 3];
        if (length > n - at - 12) return false;
        if (!memcmp(b + at + 4, "IEND", 4)) return true;
        at += 12 + length;
    }
    return false;
}

int image_check_whole(const char *name, const uint8_t *b, size_t n, struct err *why)
{
    static const uint8_t png[8] = {0x89, 'P', 'N', 'G', '\r', '\n', 0x1a, '\n'};
    bool whole = true;
    if (n >= 2 && b[0] == 0xff && b[1] == SOI) whole = jpeg_is_whole(b, n);
    if (n >= sizeof png && !memcmp(b, png, sizeof png)) whole = png_is_whole(b, n);
    return whole ? E_OK : fail(why, E_INPUT, "%s: the picture is cut short; copy it again", name);
}
