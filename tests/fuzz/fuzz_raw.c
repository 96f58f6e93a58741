/* Raw files, as a camera would write them: DNG, and what other files begin like.
 *
 * The seeds go through the whole intake, LibRaw included. A search stays with what is ours: kind,
 * directories, facts, and the preview, found and decoded; for LibRaw 0.20 ends the program (strcat into its
 * own name of the camera, and more) within a minute of searching, and nothing but another process would help.
 * With STADDLE_FUZZ_LIBRAW set in the environment a search goes through LibRaw all the same. */
#include <stdlib.h>
#include <string.h>

#include "base/err.h"
#include "image/decode_part.h"
#include "image/exif.h"
#include "tests/fuzz/frame.h"

static void take_preview(const struct source *src)
{
    struct source preview;
    struct image io = {0};
    struct sink sink = {.luma = &io};
    struct err why = {0};
    int32_t width = 0, height = 0;
    if (!find_preview(src, &preview, &width, &height)) return;
    FUZZ_HOLDS(preview.bytes >= src->bytes && preview.count <= src->count);
    FUZZ_HOLDS((size_t)(preview.bytes - src->bytes) <= src->count - preview.count);
    FUZZ_HOLDS(width > 0 && height > 0);
    if ((int64_t)width * height > FRAME_PIXELS_MOST) return;
    const int rc = decode_jpeg(&preview, &sink, &why);
    FUZZ_HOLDS(!rc || why.text[0]);
    FUZZ_HOLDS(rc || io.width_px == width);
    image_clear(&io);
}

static void take_ours(const uint8_t *data, size_t size)
{
    uint8_t *bytes = malloc(size ? size : 1);
    FUZZ_HOLDS(bytes != NULL);
    memcpy(bytes, data, size);
    const struct source src = {"frame", bytes, size};
    struct image_facts facts = {.captured_wall_us = INT64_MIN};
    struct tiff_view view;
    FUZZ_HOLDS((unsigned)image_sniff(bytes, size) <= IMAGE_RAW);
    if (tiff_view_open(bytes, size, &view)) {
        (void)tiff_is_whole(&view);
        exif_read_facts(&view, &facts);
    }
    take_preview(&src);
    free(bytes);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
#ifdef FUZZ_SEARCH
    if (!getenv("STADDLE_FUZZ_LIBRAW")) {
        take_ours(data, size);
        return 0;
    }
#endif
    take_ours(data, size);
    frame_take(data, size);
    return 0;
}
