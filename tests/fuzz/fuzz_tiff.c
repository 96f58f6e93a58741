/* TIFF files, through the whole intake. */
#include "tests/fuzz/frame.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    frame_take(data, size);
    return 0;
}
