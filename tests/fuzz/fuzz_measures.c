/* The kept measures of a frame (derived/NAME.cells): measure_from_bytes. In an input of odd length the last
 * four bytes are replaced by the right checksum. What is taken comes out again byte for byte. */
#include <stdlib.h>
#include <string.h>

#include "base/mem.h"
#include "image/measure_io.h"
#include "tests/fuzz/fuzz.h"

static void take(const uint8_t *bytes, size_t count)
{
    struct frame_measure m = {0};
    struct err why = {0};
    const int rc = measure_from_bytes("seed", bytes, count, &m, &why);
    if (rc) {
        FUZZ_HOLDS(rc == E_DAMAGED && why.code == rc && why.text[0]);
        FUZZ_HOLDS(!m.cells && !m.thumb && !m.width_px);
        return;
    }
    uint8_t *again = NULL;
    size_t again_count = 0;
    FUZZ_HOLDS(!measure_to_bytes(&m, &again, &again_count, &why));
    FUZZ_HOLDS(again_count == count && !memcmp(again, bytes, count));
    mem_free(again);
    frame_measure_clear(&m);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    uint8_t *bytes = malloc(size ? size : 1); /* its own block: reading beyond it is seen */
    FUZZ_HOLDS(bytes != NULL);
    memcpy(bytes, data, size);
    if (size & 1 && size > 4) {
        const uint32_t crc = fuzz_crc32(bytes, size - 4);
        for (size_t i = 0; i < 4; i++)
            bytes[size - 4 + i] = (uint8_t)(crc >> 8 * i);
    }
    take(bytes, size);
    free(bytes);
    return 0;
}
