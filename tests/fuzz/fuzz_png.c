/* PNG files, through the whole intake. In an input of odd length the checksum of every chunk is put right
 * first. */
#include <stdlib.h>
#include <string.h>

#include "tests/fuzz/frame.h"

static uint32_t get32(const uint8_t *p)
{
    return (uint32_t)p[0] << 24 | (uint32_t)p[1] << 16 | (uint32_t)p[2] << 8 | p[3];
}

static void seal(uint8_t *bytes, size_t count)
{
    for (size_t at = 8; count > at && count - at >= 12;) {
        const size_t length = get32(bytes + at);
        if (length > count - at - 12) return;
        const uint32_t crc = fuzz_crc32(bytes + at + 4, length + 4);
        for (size_t i = 0; i < 4; i++)
            bytes[at + 8 + length + i] = (uint8_t)(crc >> (24 - 8 * i));
        at += 12 + length;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    uint8_t *bytes = malloc(size ? size : 1);
    FUZZ_HOLDS(bytes != NULL);
    memcpy(bytes, data, size);
    if (size & 1) seal(bytes, size);
    frame_take(bytes, size);
    free(bytes);
    return 0;
}
