/* Exif data (a TIFF without pixels): as the APP1 segment of a JPEG, as the eXIf chunk of a PNG, and bare.
 * Only the facts are asked for. */
#include <stdlib.h>
#include <string.h>

#include "image/exif.h"
#include "tests/fuzz/frame.h"

#define EXIF_MOST 65000

/* Start, APP1, and a frame header of 8 x 8 pixels (ITU-T T.81 table B.1). */
static void in_jpeg(const uint8_t *exif, size_t count)
{
    static const uint8_t frame[] = {0xff, 0xc0, 0, 11, 8, 0, 8, 0, 8, 1, 1, 0x11, 0};
    uint8_t *all = malloc(count + 32);
    const size_t length = count + 8;
    FUZZ_HOLDS(all != NULL);
    const uint8_t head[] = {0xff, 0xd8, 0xff, 0xe1, (uint8_t)(length >> 8), (uint8_t)length, 'E', 'x',
                            'i',  'f',  0,    0};
    memcpy(all, head, sizeof head);
    memcpy(all + sizeof head, exif, count);
    memcpy(all + sizeof head + count, frame, sizeof frame);
    frame_take_facts(all, sizeof head + count + sizeof frame);
    free(all);
}

/* Signature, IHDR of 8 x 8 pixels, eXIf; nobody looks at their checksums for the facts. */
static void in_png(const uint8_t *exif, size_t count)
{
    static const uint8_t head[] = {0x89, 'P', 'N', 'G', 13, 10, 26, 10, 0, 0, 0, 13, 'I', 'H', 'D', 'R', 0,
                                   0,    0,   8,   0,   0,  0,  8,  8,  0, 0, 0, 0,  0,   0,   0,   0};
    uint8_t *all = calloc(1, sizeof head + count + 12);
    FUZZ_HOLDS(all != NULL);
    memcpy(all, head, sizeof head);
    all[sizeof head + 2] = (uint8_t)(count >> 8);
    all[sizeof head + 3] = (uint8_t)count;
    memcpy(all + sizeof head + 4, "eXIf", 4);
    memcpy(all + sizeof head + 8, exif, count);
    frame_take_facts(all, sizeof head + count + 12);
    free(all);
}

static void bare(const uint8_t *data, size_t count)
{
    struct tiff_view view;
    struct image_facts facts = {.captured_wall_us = INT64_MIN};
    uint8_t *bytes = malloc(count ? count : 1);
    FUZZ_HOLDS(bytes != NULL);
    memcpy(bytes, data, count);
    if (tiff_view_open(bytes, count, &view)) {
        (void)tiff_is_raw(&view);
        (void)tiff_is_whole(&view);
        exif_read_facts(&view, &facts);
        FUZZ_HOLDS(facts.exposure_us >= 0 && facts.f_number >= 0 && facts.iso >= 0);
    }
    free(bytes);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size > EXIF_MOST) return 0;
    bare(data, size);
    in_jpeg(data, size);
    in_png(data, size);
    return 0;
}
