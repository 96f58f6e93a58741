#include "tests/support/camera_files.h"

#include "tests/support/test.h"

#include <jpeglib.h>

struct bytes {
    uint8_t at[1 << 16];
    size_t n;
};

static void put(struct bytes *b, const void *from, size_t n)
{
    assert_true(b->n + n <= sizeof b->at);
    memcpy(b->at + b->n, from, n);
    b->n += n;
}

static void put16(struct bytes *b, unsigned v)
{
    const uint8_t two[2] = {(uint8_t)v, (uint8_t)(v >> 8)};
    put(b, two, 2);
}

static void put32(struct bytes *b, uint32_t v)
{
    put16(b, v & 0xffff);
    put16(b, v >> 16);
}

/* A directory entry of TIFF 6.0; `value` is the value itself or where it lies. */
static void entry(struct bytes *b, unsigned tag, unsigned type, uint32_t count, uint32_t value)
{
    put16(b, tag);
    put16(b, type);
    put32(b, count);
    put32(b, value);
}

enum { BYTE = 1, ASCII = 2, SHORT = 3, LONG = 4, RATIONAL = 5 };

static void make_exif(struct bytes *b, const struct shot_facts *f)
{
    const unsigned tags = 3u + (f->time ? 1u : 0u) + (f->subsec ? 1u : 0u);
    const uint32_t data = 26 + 2 + 12 * tags + 4; /* behind both directories, from the TIFF header */
    uint32_t subsec = 0;
    put(b, "Exif\0\0II*\0\10\0\0\0", 14);
    put16(b, 1);
    entry(b, 0x8769, LONG, 1, 26);
    put32(b, 0);
    put16(b, tags);
    entry(b, 0x829a, RATIONAL, 1, data);
    entry(b, 0x829d, RATIONAL, 1, data + 8);
    entry(b, 0x8827, SHORT, 1, 100);
    if (f->time) entry(b, 0x9003, ASCII, 20, data + 16);
    if (f->subsec) {
        assert_true(strlen(f->subsec) <= 3);
        memcpy(&subsec, f->subsec, strlen(f->subsec));
        entry(b, 0x9291, ASCII, (uint32_t)strlen(f->subsec) + 1, subsec);
    }
    put32(b, 0);
    put32(b, 1);
    put32(b, 4);
    put32(b, 28);
    put32(b, 10);
    if (f->time) put(b, f->time, 20);
}

static unsigned noise(unsigned *state)
{
    *state = *state * 1664525u + 1013904223u;
    return *state >> 24;
}

void write_jpeg(const char *path, struct shot_facts f)
{
    struct jpeg_compress_struct c;
    struct jpeg_error_mgr errors;
    static struct bytes exif;
    FILE *out = fopen(path, "wb");
    assert_non_null(out);
    c.err = jpeg_std_error(&errors);
    jpeg_create_compress(&c);
    jpeg_stdio_dest(&c, out);
    c.image_width = (JDIMENSION)f.width;
    c.image_height = (JDIMENSION)f.height;
    c.input_components = 3;
    c.in_color_space = JCS_RGB;
    jpeg_set_defaults(&c);
    jpeg_start_compress(&c, TRUE);
    exif.n = 0;
    make_exif(&exif, &f);
    jpeg_write_marker(&c, JPEG_APP0 + 1, exif.at, (unsigned)exif.n);
    unsigned state = f.seed;
    uint8_t *row = malloc((size_t)f.width * 3);
    for (int y = 0; y < f.height; y++) {
        for (int x = 0; x < 3 * f.width; x++)
            row[x] = (uint8_t)(64 + noise(&state) / 2);
        jpeg_write_scanlines(&c, &row, 1);
    }
    free(row);
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    assert_int_equal(fclose(out), 0);
}

void write_dng(const char *path, struct shot_facts f)
{
    static struct bytes b;
    const unsigned tags = 19;
    const uint32_t more = 8 + 2 + 12 * tags + 4, data = more + 32;
    b.n = 0;
    put(&b, "II*\0\10\0\0\0", 8);
    put16(&b, tags);
    entry(&b, 254, LONG, 1, 0);
    entry(&b, 256, LONG, 1, (uint32_t)f.width);
    entry(&b, 257, LONG, 1, (uint32_t)f.height);
    entry(&b, 258, SHORT, 1, 16);
    entry(&b, 259, SHORT, 1, 1);
    entry(&b, 262, SHORT, 1, 32803);
    entry(&b, 271, ASCII, 4, 'A');
    entry(&b, 272, ASCII, 4, 'B');
    entry(&b, 273, LONG, 1, data);
    entry(&b, 274, SHORT, 1, 1);
    entry(&b, 277, SHORT, 1, 1);
    entry(&b, 278, LONG, 1, (uint32_t)f.height);
    entry(&b, 279, LONG, 1, (uint32_t)(2 * f.width * f.height));
    entry(&b, 284, SHORT, 1, 1);
    entry(&b, 33421, SHORT, 2, 2 | 2 << 16);
    entry(&b, 33422, BYTE, 4, 0u | 1 << 8 | 1 << 16 | 2u << 24);
    entry(&b, 50706, BYTE, 4, 1 | 4 << 8);
    entry(&b, 50707, BYTE, 4, 1 | 1 << 8);
    entry(&b, 50708, ASCII, 8, more);
    put32(&b, 0);
    put(&b, "A bench\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0", 32);
    unsigned state = f.seed;
    for (int i = 0; i < f.width * f.height; i++)
        put16(&b, 4096 + 64 * noise(&state));
    FILE *out = fopen(path, "wb");
    assert_non_null(out);
    assert_int_equal(fwrite(b.at, 1, b.n, out), b.n);
    assert_int_equal(fclose(out), 0);
}
