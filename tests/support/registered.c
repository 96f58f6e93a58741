#include "tests/support/test.h"

#include "tests/support/registered.h"

static int32_t clamp(int32_t at, int32_t count)
{
    return at < 0 ? 0 : at >= count ? count - 1 : at;
}

uint16_t *softly_halved(const uint8_t *luma, int32_t width, int32_t height, int scale)
{
    static const double weight[] = {0.125, 0.375, 0.375, 0.125};
    const int32_t side = 1 << (scale - 1), w = width >> scale, h = height >> scale;
    const int32_t fine_w = width / side, fine_h = height / side;
    double *fine = calloc((size_t)fine_w * (size_t)fine_h, sizeof *fine);
    uint16_t *out = calloc((size_t)w * (size_t)h, sizeof *out);
    for (int32_t y = 0; y < fine_h * side; y++)
        for (int32_t x = 0; x < fine_w * side; x++)
            fine[y / side * fine_w + x / side] += luma[y * width + x] / (double)(side * side);
    for (int32_t y = 0; y < h; y++)
        for (int32_t x = 0; x < w; x++) {
            double sum = 0;
            for (int k = 0; k < 16; k++)
                sum += weight[k / 4] * weight[k % 4] *
                       fine[clamp(2 * y - 1 + k / 4, fine_h) * fine_w + clamp(2 * x - 1 + k % 4, fine_w)];
            out[y * w + x] = (uint16_t)floor(sum * 256 + 0.5);
        }
    free(fine);
    return out;
}

struct register_view *view_of_bytes(struct register_space *space, const uint8_t *luma, int32_t width,
                                    int32_t height)
{
    struct err why = {0};
    const int scale = register_scale(width, height);
    uint16_t *small = scale ? softly_halved(luma, width, height, scale) : NULL;
    struct register_view *v =
        register_view_new(space, width, height, scale ? (const void *)small : (const void *)luma, &why);
    if (!v) print_error("%s\n", why.text);
    assert_non_null(v);
    free(small);
    return v;
}

struct register_view *view_of_photo(struct register_space *space, const struct photo *p)
{
    uint8_t *luma = photo_bytes(p);
    struct register_view *v = view_of_bytes(space, luma, p->width, p->height);
    free(luma);
    return v;
}

struct frame_shift photos_registered(struct register_space *space, const struct photo *before,
                                     const struct photo *now)
{
    struct err why = {0};
    struct register_view *a = view_of_photo(space, before), *b = view_of_photo(space, now);
    struct frame_shift out;
    assert_int_equal(register_shift(space, a, b, &out, &why), E_OK);
    register_view_free(a);
    register_view_free(b);
    return out;
}
