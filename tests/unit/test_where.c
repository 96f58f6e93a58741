/* The sharpest frames at a place, on stacks made by a formula (tests/support/made.h): what is right follows
 * from how the stack was made. And pictures that are shown turned, against TIFF 6.0 (1992), tag 274. */
#include "tests/support/made.h"
#include "tests/support/test.h"

#include "check/where.h"
#include "image/turned.h"

enum { FRAMES = 30, WIDTH = 641, HEIGHT = 555 };

static void find(const struct made_opts *o, struct where_map *map)
{
    struct made m;
    struct err why = {0};
    made_new(o, &m);
    assert_int_equal(
        where_new(&(struct check_input){.frames = m.frames, .rows = m.rows, .measures = m.list}, map, &why),
        0);
    made_clear(&m);
}

/* A ramp from left to right: at share u of the width the depth is 3.5 + 22 u. */
static void the_sharpest_frames_are_those_at_the_depth(void **state)
{
    (void)state;
    struct where_map map;
    int32_t places = 0;
    find(&(struct made_opts){.frames = FRAMES, .near_at = 3.5, .far_at = 25.5, .noise = 2, .seed = 3}, &map);
    for (int32_t x = 20; x < WIDTH - 20; x += 7) {
        const struct where_tile *t = where_at(&map, x, 300);
        const double middle = (floor(x / (double)map.tile_px) + 0.5) * map.tile_px,
                     depth = 3.5 + 22 * middle / WIDTH;
        assert_int_equal(t->count, 3);
        assert_near(t->frame[0], depth, 1.0);
        assert_near(t->peak, depth, 0.75);
        for (int k = 0; k < 3; k++)
            assert_near(t->frame[k], depth, 2.0);
        assert_near(t->sharpness[0], 1, 0);
        assert_true(t->sharpness[1] <= 1 && t->sharpness[2] <= t->sharpness[1] && t->sharpness[2] > 0.1);
        assert_int_equal(t->others, 0);
        places++;
    }
    printf("measured: places asked on a made ramp: %d\n", places);
    where_clear(&map);
}

static double step_depth(double x, double y)
{
    (void)y;
    return x > 0.7 ? NAN : 20;
}

static double hair(double x, double y)
{
    (void)x;
    return y > 0.45 && y < 0.55 ? 6 : NAN;
}

static bool names(const struct where_tile *t, int32_t frame)
{
    bool found = false;
    for (int32_t k = 0; k < t->count; k++)
        found = found || abs(t->frame[k] - frame) <= 1;
    for (int32_t k = 0; k < t->others; k++)
        found = found || abs(t->other[k] - frame) <= 1;
    return found;
}

static void what_lies_before_the_ground_is_named_too(void **state)
{
    (void)state;
    struct where_map map;
    find(&(struct made_opts){.frames = FRAMES, .depth = step_depth, .hair = hair, .noise = 1, .seed = 5},
         &map);
    int32_t along = 0, both = 0;
    for (int32_t x = 10; x < 430; x += map.tile_px) {
        const struct where_tile *t = where_at(&map, x, HEIGHT / 2.0), *ground = where_at(&map, x, 100);
        const int32_t strongest = t->frame[0] > 13 ? 20 : 6;
        along++;
        assert_near(t->frame[0], strongest, 1);
        both += names(t, 26 - strongest);
        assert_near(ground->frame[0], 20, 1);
        assert_int_equal(ground->others, 0);
    }
    printf("measured: tiles on a hair before ground that name both: %d of %d\n", both, along);
    assert_true(both * 10 >= along * 7); /* where either is much weaker it is no peak of its own */
    where_clear(&map);
}

static void without_texture_nothing_is_named_and_the_nearest_is_told(void **state)
{
    (void)state;
    struct where_map map;
    double x, y;
    find(&(struct made_opts){.frames = FRAMES, .depth = step_depth, .noise = 1, .seed = 5}, &map);
    assert_int_equal(where_at(&map, 600, 300)->count, 0);
    assert_true(where_nearest(&map, 600, 300, &x, &y));
    assert_near(x, 0.7 * WIDTH, map.tile_px);
    assert_near(y, 300, map.tile_px);
    where_clear(&map);
}

static void outside_the_picture_is_no_place(void **state)
{
    (void)state;
    struct where_map map;
    find(&(struct made_opts){.frames = 8, .near_at = 1, .far_at = 6, .seed = 1}, &map);
    assert_non_null(where_at(&map, 0, 0));
    assert_non_null(where_at(&map, WIDTH - 0.5, HEIGHT - 0.5)); /* beyond the last whole tile, too */
    assert_null(where_at(&map, -1, 5));
    assert_null(where_at(&map, 5, HEIGHT));
    assert_null(where_at(&map, WIDTH, 5));
    assert_null(where_at(&map, NAN, 5));
    where_clear(&map);
}

/* The picture grows by 0.2 % a frame and wanders by 0.3 px a frame: a piece at p lies at scale * p + shift.
 */
static void a_place_is_followed_through_scale_and_shift(void **state)
{
    (void)state;
    struct where_map map;
    double shift[FRAMES], worst = 0;
    for (int i = 0; i < FRAMES; i++)
        shift[i] = 0.3 * i;
    find(&(struct made_opts){.frames = FRAMES,
                             .near_at = 3.5,
                             .far_at = 25.5,
                             .scale_step = 0.002,
                             .shift_px = shift,
                             .seed = 4},
         &map);
    for (int32_t i = 0; i < FRAMES; i++) {
        const double scale = pow(1.002, i);
        double x, y, bx, by;
        where_in(&map, i, 500, 100, &x, &y);
        worst = fmax(worst, fabs(x - (WIDTH / 2.0 + scale * (500 - WIDTH / 2.0) + shift[i])));
        worst = fmax(worst, fabs(y - (HEIGHT / 2.0 + scale * (100 - HEIGHT / 2.0))));
        where_back(&map, i, x, y, &bx, &by);
        assert_near(bx, 500, 1e-9);
        assert_near(by, 100, 1e-9);
    }
    printf("measured: a place followed through 30 frames is off by %.2f px at most\n", worst);
    assert_near(worst, 0, 1.0);
    where_clear(&map);
}

/* TIFF 6.0, tag 274: the sides of the picture, as seen, on which row 0 and column 0 lie. */
static void orientations_are_those_of_the_standard(void **state)
{
    (void)state;
    enum { TOP, RIGHT, BOTTOM, LEFT };
    static const int row0[] = {0, TOP, TOP, BOTTOM, BOTTOM, LEFT, RIGHT, RIGHT, LEFT};
    static const int column0[] = {0, LEFT, RIGHT, RIGHT, LEFT, TOP, TOP, BOTTOM, BOTTOM};
    const int32_t w = 30, h = 20;
    for (int o = 1; o <= 8; o++) {
        const int32_t sw = turned_on_side(o) ? h : w, sh = turned_on_side(o) ? w : h;
        const struct pixel row = turned_to_shown(o, w, h, (struct pixel){7, 0});
        const struct pixel column = turned_to_shown(o, w, h, (struct pixel){0, 7});
        assert_int_equal(row0[o], row.y == 0 ? TOP : row.y == sh - 1 ? BOTTOM : row.x == 0 ? LEFT : RIGHT);
        assert_int_equal(column0[o], column.x == 0        ? LEFT
                                     : column.x == sw - 1 ? RIGHT
                                     : column.y == 0      ? TOP
                                                          : BOTTOM);
        const struct pixel back = turned_to_stored(o, w, h, turned_to_shown(o, w, h, (struct pixel){11, 3}));
        assert_int_equal(back.x, 11);
        assert_int_equal(back.y, 3);
        assert_int_equal(turned(o), o != 1);
    }
    assert_false(turned(0) || turned(9) || turned(-1));
}

/* Boxes, points, ways and views say the same as pixels do. */
static void all_that_is_turned_is_turned_alike(void **state)
{
    (void)state;
    enum { W = 7, H = 5 };
    uint8_t stored[W * H * 2];
    for (int i = 0; i < W * H * 2; i++)
        stored[i] = (uint8_t)i;
    for (int o = 1; o <= 8; o++) {
        const struct view v = turned_view(o, stored, W, H, 2);
        for (int32_t y = 0; y < H; y++)
            for (int32_t x = 0; x < W; x++) {
                const struct pixel p = turned_to_shown(o, W, H, (struct pixel){x, y});
                assert_memory_equal(view_at(&v, p.x, p.y), stored + 2 * (y * W + x), 2);
                double px = x + 0.25, py = y + 0.25;
                turned_point_to_shown(o, W, H, &px, &py);
                assert_true(floor(px) == p.x && floor(py) == p.y);
            }
        const struct region_px box = {1, 2, 4, 2}, b = turned_box_to_shown(o, W, H, box),
                               again = turned_box_to_stored(o, W, H, b);
        assert_memory_equal(&again, &box, sizeof box);
        for (int32_t y = 0; y < H; y++)
            for (int32_t x = 0; x < W; x++) {
                const struct pixel p = turned_to_shown(o, W, H, (struct pixel){x, y});
                const bool in = x >= 1 && x < 5 && y >= 2 && y < 4;
                assert_int_equal(in, p.x >= b.x && p.x < b.x + b.w && p.y >= b.y && p.y < b.y + b.h);
            }
        const struct pixel from = turned_to_shown(o, W, H, (struct pixel){1, 1}),
                           to = turned_to_shown(o, W, H, (struct pixel){4, 2});
        double right = 3, down = 1;
        turned_way_to_shown(o, &right, &down);
        assert_true(right == to.x - from.x && down == to.y - from.y);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_sharpest_frames_are_those_at_the_depth),
        cmocka_unit_test(what_lies_before_the_ground_is_named_too),
        cmocka_unit_test(without_texture_nothing_is_named_and_the_nearest_is_told),
        cmocka_unit_test(outside_the_picture_is_no_place),
        cmocka_unit_test(a_place_is_followed_through_scale_and_shift),
        cmocka_unit_test(orientations_are_those_of_the_standard),
        cmocka_unit_test(all_that_is_turned_is_turned_alike),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
