#include "tests/support/test.h"

#include "tests/support/registered.h"

struct register_view *view_of_bytes(struct register_space *space, const uint8_t *luma, int32_t width,
                                    int32_t height)
{
    struct err why = {0};
    const int scale = register_scale(width, height), side = 1 << scale;
    const int32_t w = width >> scale, h = height >> scale;
    uint16_t *sums = calloc((size_t)w * (size_t)h, sizeof *sums);
    for (int32_t y = 0; y < h * side; y++)
        for (int32_t x = 0; x < w * side; x++)
            sums[y / side * w + x / side] = (uint16_t)(sums[y / side * w + x / side] + luma[y * width + x]);
    struct register_view *v =
        register_view_new(space, width, height, scale ? (const void *)sums : (const void *)luma, &why);
    if (!v) print_error("%s\n", why.text);
    assert_non_null(v);
    free(sums);
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
