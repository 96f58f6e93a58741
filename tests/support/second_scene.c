#include "tests/support/second_scene.h"

#include <png.h>
#include <unistd.h>
#include <zlib.h>

#include "tests/support/test.h"

#define INSIDE  "python3-skimage/usr/lib/python3/dist-packages/skimage/data"
#define WIDTH   741
#define HEIGHT  500
#define APART   31.086 /* px between the principal points, of the quarter-size pictures */
#define IN_CODE 400.0  /* codes a pixel of disparity: the nearest point stays below 65535 */

void second_scene_file(const char *name, char *path, size_t room)
{
    const char *build = getenv("STADDLE_BUILD");
    const char *const places[] = {build ? build : "build", "build"};
    for (size_t i = 0; i < sizeof places / sizeof *places; i++) {
        snprintf(path, room, "%s/data/%s/%s", places[i], INSIDE, name);
        if (access(path, R_OK) == 0) return;
    }
    print_error("%s is missing; 'make check' unpacks python3-skimage, or: sh tests/tools/unpack-data.sh "
                "build/data\n",
                path);
    _fail(__FILE__, __LINE__);
}

static uint32_t little(const uint8_t *p, int bytes)
{
    uint32_t v = 0;
    for (int i = 0; i < bytes; i++)
        v |= (uint32_t)p[i] << 8 * i;
    return v;
}

/* The first member of a ZIP archive (APPNOTE 6.3, 4.3.7: local header of 30 bytes, name, extra, data), which
 * is deflated. */
static void inflate_first(const char *path, uint8_t *out, size_t room, size_t *count)
{
    static uint8_t zip[2 << 20];
    FILE *f = fopen(path, "rb");
    assert_non_null(f);
    const size_t n = fread(zip, 1, sizeof zip, f);
    fclose(f);
    assert_in_range(n, 31, sizeof zip - 1);
    assert_int_equal(little(zip, 4), 0x04034b50);
    assert_int_equal(little(zip + 8, 2), 8); /* deflated */
    const size_t at = 30 + little(zip + 26, 2) + little(zip + 28, 2);
    assert_true(at < n);
    z_stream z = {.next_in = zip + at, .avail_in = (uInt)(n - at), .next_out = out, .avail_out = (uInt)room};
    assert_int_equal(inflateInit2(&z, -MAX_WBITS), Z_OK);
    assert_int_equal(inflate(&z, Z_FINISH), Z_STREAM_END);
    *count = z.total_out;
    inflateEnd(&z);
}

/* An array file (NumPy's format, version 1.0: magic, length of the header, header as text, data). */
static const uint8_t *array_data(const uint8_t *npy, size_t count)
{
    assert_memory_equal(npy, "\x93NUMPY\x01", 7);
    const size_t header = little(npy + 8, 2);
    char text[256];
    assert_in_range(header, 1, sizeof text - 1);
    memcpy(text, npy + 10, header);
    text[header] = 0;
    assert_non_null(strstr(text, "'descr': '<f4'"));
    assert_non_null(strstr(text, "'fortran_order': False"));
    assert_non_null(strstr(text, "'shape': (500, 741)"));
    assert_int_equal(count, 10 + header + 4 * WIDTH * HEIGHT);
    return npy + 10 + header;
}

static uint16_t code_of(const uint8_t *p)
{
    const uint32_t bits = little(p, 4);
    float disparity;
    memcpy(&disparity, &bits, sizeof disparity);
    if (!isfinite(disparity)) return 0; /* not measured */
    return (uint16_t)lround(IN_CODE * ((double)disparity + APART));
}

struct shoot_scene second_scene(void)
{
    static uint8_t npy[4 * WIDTH * HEIGHT + 512];
    static uint16_t codes[WIDTH * HEIGHT];
    struct shoot_scene s = {.width_px = WIDTH, .height_px = HEIGHT};
    char path[PATH_ROOM];
    size_t count;
    second_scene_file("motorcycle_disp.npz", path, sizeof path);
    inflate_first(path, npy, sizeof npy, &count);
    const uint8_t *data = array_data(npy, count);
    for (int i = 0; i < WIDTH * HEIGHT; i++)
        codes[i] = code_of(data + 4 * i);
    second_scene_file("motorcycle_left.png", s.picture, sizeof s.picture);
    snprintf(s.depth_map, sizeof s.depth_map, "%s/second-depth.png", test_folder());
    png_image image = {
        .version = PNG_IMAGE_VERSION, .width = WIDTH, .height = HEIGHT, .format = PNG_FORMAT_LINEAR_Y};
    /* The numbers go in as they are: a linear picture of 16 bits is stored without a curve. */
    assert_true(png_image_write_to_file(&image, s.depth_map, 0, codes, WIDTH, NULL));
    return s;
}
