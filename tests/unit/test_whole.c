/* A picture file cut short anywhere is noticed. The peer is libjpeg-turbo, which has to warn or give up on
 * each. */
#include "tests/support/test.h"

#include <jpeglib.h>

#include "image/whole.h"

struct jpeg {
    unsigned char *bytes;
    unsigned long size;
};

static struct jpeg make(int progressive, unsigned restart)
{
    struct jpeg_compress_struct c;
    struct jpeg_error_mgr errors;
    struct jpeg out = {0};
    c.err = jpeg_std_error(&errors);
    jpeg_create_compress(&c);
    jpeg_mem_dest(&c, &out.bytes, &out.size);
    c.image_width = 48;
    c.image_height = 40;
    c.input_components = 3;
    c.in_color_space = JCS_RGB;
    jpeg_set_defaults(&c);
    if (progressive) jpeg_simple_progression(&c);
    c.restart_interval = restart;
    jpeg_start_compress(&c, TRUE);
    /* a thumbnail with an EOI of its own, as Exif carries one: not the end of the picture */
    static const unsigned char thumbnail[] = {0xff, 0xd8, 0xff, 0xd9};
    jpeg_write_marker(&c, JPEG_APP0 + 1, thumbnail, sizeof thumbnail);
    unsigned state = 7;
    for (int y = 0; y < 40; y++) {
        unsigned char line[3 * 48], *row = line;
        for (int x = 0; x < 3 * 48; x++)
            line[x] = (unsigned char)((state = state * 1664525u + 1013904223u) >> 24);
        jpeg_write_scanlines(&c, &row, 1);
    }
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    return out;
}

static jmp_buf gave_up;

static void give_up(j_common_ptr c)
{
    (void)c;
    longjmp(gave_up, 1);
}

static void say_nothing(j_common_ptr c, int level)
{
    if (level < 0) c->err->num_warnings++;
}

/* Does libjpeg find the whole picture? */
static int peer_finds_it_whole(const unsigned char *bytes, unsigned long size)
{
    struct jpeg_decompress_struct d;
    struct jpeg_error_mgr errors;
    static unsigned char line[3 * 48];
    unsigned char *row = line;
    volatile int whole = 0;
    d.err = jpeg_std_error(&errors);
    errors.error_exit = give_up;
    errors.emit_message = say_nothing;
    jpeg_create_decompress(&d);
    if (!setjmp(gave_up)) {
        jpeg_mem_src(&d, bytes, size);
        jpeg_read_header(&d, TRUE);
        jpeg_start_decompress(&d);
        while (d.output_scanline < d.output_height)
            jpeg_read_scanlines(&d, &row, 1);
        jpeg_finish_decompress(&d);
        whole = errors.num_warnings == 0;
    }
    jpeg_destroy_decompress(&d);
    return whole;
}

static void cut_everywhere(int progressive, unsigned restart)
{
    struct jpeg j = make(progressive, restart);
    struct err why = {0};
    assert_true(peer_finds_it_whole(j.bytes, j.size));
    assert_int_equal(image_check_whole("a.jpg", j.bytes, j.size, &why), E_OK);
    for (unsigned long n = 2; n < j.size; n++) {
        assert_false(peer_finds_it_whole(j.bytes, n));
        if (image_check_whole("a.jpg", j.bytes, n, &why) != E_INPUT)
            print_error("cut at %lu of %lu\n", n, j.size);
        assert_int_equal(image_check_whole("a.jpg", j.bytes, n, &why), E_INPUT);
    }
    printf("measured: %lu cuts of a %s JPEG, restart interval %u, all noticed\n", j.size - 2,
           progressive ? "progressive" : "baseline", restart);
    free(j.bytes);
}

static void a_jpeg_cut_anywhere_is_noticed(void **state)
{
    (void)state;
    cut_everywhere(0, 0);
    cut_everywhere(0, 2);
    cut_everywhere(1, 0);
    cut_everywhere(1, 3);
}

/* Cameras put previews behind the picture; copying programs put zeros there. */
static void what_lies_behind_the_end_does_no_harm(void **state)
{
    (void)state;
    struct jpeg j = make(0, 0);
    struct err why;
    unsigned char *more = calloc(j.size + 100, 1);
    memcpy(more, j.bytes, j.size);
    assert_int_equal(image_check_whole("a.jpg", more, j.size + 100, &why), E_OK);
    memset(more + j.size, 0xff, 100);
    assert_int_equal(image_check_whole("a.jpg", more, j.size + 100, &why), E_OK);
    free(more);
    free(j.bytes);
}

static void a_png_cut_anywhere_is_noticed(void **state)
{
    (void)state;
    /* one gray pixel (RFC 2083): signature, IHDR, IDAT, IEND; zlib stream and CRCs computed with Python's
     * zlib */
    static const unsigned char png[] = {
        0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a, 0x00, 0x00, 0x00, 0x0d, 0x49, 0x48, 0x44, 0x52, 0x00,
        0x00, 0x00, 0x01, 0x00, 0x00, 0x00, 0x01, 0x08, 0x00, 0x00, 0x00, 0x00, 0x3a, 0x7e, 0x9b, 0x55, 0x00,
        0x00, 0x00, 0x0a, 0x49, 0x44, 0x41, 0x54, 0x78, 0x9c, 0x63, 0x68, 0x00, 0x00, 0x00, 0x82, 0x00, 0x81,
        0x77, 0xcd, 0x72, 0xb6, 0x00, 0x00, 0x00, 0x00, 0x49, 0x45, 0x4e, 0x44, 0xae, 0x42, 0x60, 0x82};
    struct err why;
    assert_int_equal(image_check_whole("a.png", png, sizeof png, &why), E_OK);
    for (size_t n = 8; n < sizeof png; n++)
        assert_int_equal(image_check_whole("a.png", png, n, &why), E_INPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_jpeg_cut_anywhere_is_noticed),
        cmocka_unit_test(what_lies_behind_the_end_does_no_harm),
        cmocka_unit_test(a_png_cut_anywhere_is_noticed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
