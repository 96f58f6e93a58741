#include "tests/fuzz/frame.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/err.h"

static void refused(int rc, const struct err *why)
{
    FUZZ_HOLDS(rc == E_INPUT || rc == E_NOMEM);
    FUZZ_HOLDS(why->code == rc && !strncmp(why->text, "frame: ", 7) && strchr(why->text, ';'));
}

static void facts_are_sound(const struct image_facts *f)
{
    FUZZ_HOLDS(f->width_px > 0 && f->width_px <= IMAGE_SIDE_MOST);
    FUZZ_HOLDS(f->height_px > 0 && f->height_px <= IMAGE_SIDE_MOST);
    FUZZ_HOLDS((int64_t)f->width_px * f->height_px <= IMAGE_PIXELS_MOST);
    FUZZ_HOLDS(f->orientation >= 0 && f->orientation <= 8);
    FUZZ_HOLDS(f->exposure_us >= 0);
    FUZZ_HOLDS(isfinite(f->f_number) && f->f_number >= 0 && isfinite(f->iso) && f->iso >= 0);
    FUZZ_HOLDS(image_kind_name(f->kind)[0]);
}

static bool read_facts(const uint8_t *bytes, size_t count, struct image_facts *facts)
{
    struct err why = {0};
    const int rc = image_read_facts("frame", bytes, count, facts, &why);
    if (rc)
        refused(rc, &why);
    else
        facts_are_sound(facts);
    return !rc;
}

static void luma(const uint8_t *bytes, size_t count, const struct image_facts *told)
{
    struct image io = {0};
    struct image_facts facts;
    struct err why = {0};
    const int rc = image_decode_luma("frame", bytes, count, &io, &facts, &why);
    if (rc) {
        refused(rc, &why);
        FUZZ_HOLDS(!io.width_px && !io.height_px);
    } else {
        const size_t pixels = (size_t)io.width_px * (size_t)io.height_px;
        facts_are_sound(&facts);
        FUZZ_HOLDS(facts.width_px == io.width_px && facts.height_px == io.height_px);
        /* What LibRaw 0.20 makes of a damaged raw depends on memory that it has not set. */
        FUZZ_HOLDS(facts.kind == IMAGE_RAW ||
                   (told->width_px == io.width_px && told->height_px == io.height_px));
        unsigned bits = 0, sum = 0;
        for (size_t i = 0; i < pixels; i++) {
            bits |= io.ends[i];
            sum += io.luma[i];
        }
        FUZZ_HOLDS(bits <= (IMAGE_END_HIGH | IMAGE_END_LOW));
        FUZZ_HOLDS(sum <= 255 * pixels);
    }
    image_clear(&io);
}

struct counted {
    int32_t width, height, rows;
};

static int count_begin(void *arg, int32_t width_px, int32_t height_px, struct err *why)
{
    (void)why;
    *(struct counted *)arg = (struct counted){width_px, height_px, 0};
    return 0;
}

static void count_row(void *arg, const uint8_t *line, const uint8_t *ends, bool looked)
{
    struct counted *c = arg;
    FUZZ_HOLDS(line && (looked || !ends));
    c->rows++;
}

/* All rows, or a refusal, however many came before it. */
static void by_row(const uint8_t *bytes, size_t count)
{
    struct counted c = {0};
    const struct image_rows to = {count_begin, count_row, &c};
    struct image_facts facts;
    struct err why = {0};
    const int rc = image_decode_rows("frame", bytes, count, &to, &facts, &why);
    if (rc) {
        refused(rc, &why);
        FUZZ_HOLDS(c.rows <= c.height);
        return;
    }
    FUZZ_HOLDS(c.rows == c.height && facts.width_px == c.width && facts.height_px == c.height);
}

static void colour(const uint8_t *bytes, size_t count, int32_t most_px)
{
    struct image_rgb io = {0};
    struct err why = {0};
    const int rc = image_decode_rgb("frame", bytes, count, most_px, &io, &why);
    if (rc) {
        refused(rc, &why);
        FUZZ_HOLDS(!io.rgb);
        return;
    }
    FUZZ_HOLDS(io.width_px > 0 && io.height_px > 0);
    FUZZ_HOLDS(!most_px || (io.width_px <= most_px && io.height_px <= most_px));
    const size_t bytes_out = (size_t)io.width_px * (size_t)io.height_px * 3;
    unsigned sum = 0;
    for (size_t i = 0; i < bytes_out; i++)
        sum += io.rgb[i];
    FUZZ_HOLDS(sum <= 255 * bytes_out);
    image_rgb_clear(&io);
}

static uint8_t *copy_of(const uint8_t *data, size_t count)
{
    uint8_t *bytes = malloc(count ? count : 1);
    FUZZ_HOLDS(bytes != NULL);
    memcpy(bytes, data, count);
    return bytes;
}

void frame_take_facts(const uint8_t *data, size_t count)
{
    struct image_facts facts;
    uint8_t *bytes = copy_of(data, count);
    read_facts(bytes, count, &facts);
    free(bytes);
}

void frame_take(const uint8_t *data, size_t count)
{
    struct image_facts facts;
    uint8_t *bytes = copy_of(data, count);
    if (read_facts(bytes, count, &facts) && (int64_t)facts.width_px * facts.height_px <= FRAME_PIXELS_MOST) {
        luma(bytes, count, &facts);
        by_row(bytes, count);
        colour(bytes, count, 0);
        colour(bytes, count, 16);
    }
    free(bytes);
}
