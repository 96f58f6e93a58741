/* A stack in portrait. The same upright pictures are stored once as they are seen, and once as a camera
 * does that was held on its side: turned, with the tag that says so. What a viewer shows is the same, so what
 * Staddle shows and says must be. How a tagged picture is seen: TIFF 6.0 (1992), section 8, tag 274, written
 * out in seen_at; the pictures are read with libpng. Sizes are such that the grid of tiles fits either way,
 * but for the last test. */
#include "tests/support/test.h"

#include <jansson.h>
#include <png.h>
#include <sys/stat.h>

#include "base/fs.h"
#include "base/mem.h"
#include "image/decode.h"
#include "tests/support/picture.h"
#include "tests/support/program.h"
#include "tests/support/slope.h"

enum { FRAMES = 18, W = 200, H = 320, ODD_W = 187, ODD_H = 309, STRIP = 40 };

/* Where the stored pixel is seen in the upright picture of w x h. */
static void seen_at(int orientation, int32_t w, int32_t h, int32_t row, int32_t column, int32_t *x,
                    int32_t *y)
{
    switch (orientation) {
    case 3: /* row 0 is the bottom, column 0 the right side */
        *x = w - 1 - column, *y = h - 1 - row;
        return;
    case 6: /* row 0 is the right side, column 0 the top */
        *x = w - 1 - row, *y = column;
        return;
    case 8: /* row 0 is the left side, column 0 the bottom */
        *x = row, *y = h - 1 - column;
        return;
    default:
        *x = column, *y = row;
    }
}

/* The upright pictures of a slope that deepens to the right; below, a paler strip tells top from bottom. */
static void write_upright(const char *dir, int32_t w, int32_t h)
{
    assert_int_equal(mkdir(dir, 0777), 0);
    slope_write(dir, &(struct slope){.frames = FRAMES, .width_px = w, .height_px = h, .seed = 5});
}

static struct image_rgb read_picture(const char *path)
{
    struct image_rgb image = {0};
    uint8_t *bytes;
    size_t count;
    struct err why = {0};
    if (fs_read(path, 1 << 24, &bytes, &count, &why) || image_decode_rgb(path, bytes, count, 0, &image, &why))
        fail_msg("%s", why.text);
    mem_free(bytes);
    return image;
}

/* Stores a picture so that the tag's viewer shows it upright, and tags it so, or otherwise. */
static void store_turned(const char *path, const struct image_rgb *up, int orientation, int tag)
{
    const bool side = orientation >= 5;
    const int32_t w = side ? up->height_px : up->width_px, h = side ? up->width_px : up->height_px;
    uint8_t *rgb = malloc(3 * (size_t)w * (size_t)h);
    for (int32_t row = 0; row < h; row++)
        for (int32_t column = 0; column < w; column++) {
            int32_t x, y;
            seen_at(orientation, up->width_px, up->height_px, row, column, &x, &y);
            const uint8_t *from = up->rgb + 3 * ((size_t)y * (size_t)up->width_px + (size_t)x);
            for (int c = 0; c < 3; c++) /* the strip */
                rgb[3 * (row * w + column) + c] =
                    (uint8_t)(y >= up->height_px - STRIP ? 150 + from[c] / 4 : from[c]);
        }
    const struct bytes tiff =
        tiff_make(rgb, w, h, &(struct tiff_how){.bits = 8, .compression = 1, .orientation = tag});
    FILE *f = fopen(path, "wb");
    assert_int_equal(fwrite(tiff.p, 1, tiff.n, f), tiff.n);
    fclose(f);
    free(tiff.p);
    free(rgb);
}

/* Stack `name` of the upright pictures in `from`, stored turned; frame `odd` (from 1) is tagged 1 whatever.
 * What check says of it is kept beside it. */
static void make_stack(const char *from, const char *name, int orientation, int tag, int odd)
{
    char dir[800], path[1200];
    snprintf(dir, sizeof dir, "%s/%s-files", test_folder(), name);
    assert_int_equal(mkdir(dir, 0777), 0);
    for (int i = 1; i <= FRAMES; i++) {
        snprintf(path, sizeof path, "%s/f%04d.jpg", from, i);
        struct image_rgb up = read_picture(path);
        snprintf(path, sizeof path, "%s/f%04d.tif", dir, i);
        store_turned(path, &up, orientation, i == odd ? 1 : tag);
        image_rgb_clear(&up);
    }
    struct said r =
        shell("cd %s && staddle import %s-files --order near-first --stack %s && staddle check %s "
              "--json > %s.json || [ $? = 1 ]",
              test_folder(), name, name, name, name);
    if (r.status) fail_msg("%s", r.err);
    said_clear(&r);
}

static int set_up(void **state)
{
    char dir[800];
    (void)state;
    snprintf(dir, sizeof dir, "%s/upright", test_folder());
    write_upright(dir, W, H);
    make_stack(dir, "up", 1, 1, 0);
    make_stack(dir, "on6", 6, 6, 0);
    make_stack(dir, "on8", 8, 8, 0);
    make_stack(dir, "false", 6, 8, 0); /* planted: tagged for the other side */
    make_stack(dir, "mixed", 6, 6, 7);
    snprintf(dir, sizeof dir, "%s/odd-upright", test_folder());
    write_upright(dir, ODD_W, ODD_H);
    make_stack(dir, "odd", 6, 6, 0);
    return 0;
}

/* ---- pictures ---- */

struct pixels {
    int32_t w, h;
    uint8_t *rgb;
};

static struct pixels derived(const char *stack, const char *name)
{
    char path[1200];
    png_image image = {.version = PNG_IMAGE_VERSION};
    snprintf(path, sizeof path, "%s/%s/derived/%s", test_folder(), stack, name);
    if (!png_image_begin_read_from_file(&image, path)) fail_msg("%s: %s", path, image.message);
    image.format = PNG_FORMAT_RGB;
    struct pixels out = {(int32_t)image.width, (int32_t)image.height, malloc(PNG_IMAGE_SIZE(image))};
    assert_true(png_image_finish_read(&image, NULL, out.rgb, 0, NULL));
    return out;
}

/* Share of the pixels that are plainly another colour; 1 when the sizes differ. */
static double unlike(const char *a_stack, const char *b_stack, const char *name)
{
    struct pixels a = derived(a_stack, name), b = derived(b_stack, name);
    double other = 0;
    for (int32_t i = 0; i < a.w * a.h && a.w == b.w && a.h == b.h; i++) {
        int most = 0;
        for (int c = 0; c < 3; c++) {
            const int d = abs(a.rgb[3 * i + c] - b.rgb[3 * i + c]);
            most = d > most ? d : most;
        }
        other += most > 12;
    }
    const double share = a.w == b.w && a.h == b.h ? other / ((double)a.w * a.h) : 1;
    free(a.rgb);
    free(b.rgb);
    return share;
}

static const char *const pictures[] = {"coverage.png", "ridge.png", "frame.png", "contact.png"};

/* Frames are registered in another order of sums, so that a peak may be off by a hundredth of a frame, and a
 * slice number in a tint by one; nothing else may differ. */
static void every_picture_is_that_of_the_upright_stack(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof pictures / sizeof *pictures; i++) {
        const double on6 = unlike("up", "on6", pictures[i]), on8 = unlike("up", "on8", pictures[i]),
                     planted = unlike("up", "false", pictures[i]);
        printf("measured: %s of a stack on its side, beside the upright one: %.4f and %.4f of the pixels "
               "differ; tagged for the wrong side %.2f\n",
               pictures[i], on6, on8, planted);
        assert_true(on6 < 0.01 && on8 < 0.01);
        if (strcmp(pictures[i], "ridge.png") != 0) assert_true(planted > 0.1);
    }
}

/* ---- words and numbers ---- */

static json_t *said_of(const char *stack)
{
    char path[1200];
    snprintf(path, sizeof path, "%s/%s.json", test_folder(), stack);
    json_t *o = json_load_file(path, 0, NULL);
    assert_non_null(o);
    return o;
}

static json_t *ask(const char *format, const char *stack)
{
    char rest[1200];
    snprintf(rest, sizeof rest, format, test_folder(), stack);
    struct said r = program("%s --json", rest);
    json_t *o = json_loads(r.out, 0, NULL);
    if (!o) fail_msg("%s: %s", rest, r.err);
    said_clear(&r);
    return o;
}

static double number(const json_t *o, const char *key)
{
    return json_number_value(json_object_get(o, key));
}

static bool entries_alike(const json_t *a, const json_t *b)
{
    if (!json_is_number(a) || !json_is_number(b)) return json_equal(a, b);
    return fabs(json_number_value(a) - json_number_value(b)) < 0.05;
}

static double tiles_alike(const json_t *a, const json_t *b, const char *key)
{
    size_t r, c;
    double all = 0, alike = 0;
    json_t *row, *one;
    const json_t *rows = json_object_get(json_object_get(a, "tiles"), key),
                 *others = json_object_get(json_object_get(b, "tiles"), key);
    if (json_array_size(rows) != json_array_size(others)) return 0;
    json_array_foreach (rows, r, row)
        json_array_foreach (row, c, one) {
            all++;
            alike += entries_alike(one, json_array_get(json_array_get(others, r), c));
        }
    return alike / all;
}

static void places_in_the_json_are_those_of_the_upright_stack(void **state)
{
    (void)state;
    json_t *up = said_of("up"), *planted = said_of("false");
    static const char *const stacks[] = {"on6", "on8"};
    for (int i = 0; i < 2; i++) {
        json_t *v = said_of(stacks[i]);
        assert_near(number(v, "orientation"), i ? 8 : 6, 0);
        assert_near(number(v, "width_px"), W, 0);
        assert_near(number(v, "height_px"), H, 0);
        printf("measured: %s: state of %.3f and peak of %.3f of the tiles as upright; planted %.3f\n",
               stacks[i], tiles_alike(up, v, "state"), tiles_alike(up, v, "peak"),
               tiles_alike(up, planted, "peak"));
        assert_true(tiles_alike(up, v, "state") > 0.99);
        assert_true(tiles_alike(up, v, "peak") > 0.95);
        assert_true(tiles_alike(up, planted, "peak") < 0.3);
        json_decref(v);
    }
    json_decref(up);
    json_decref(planted);
}

/* The frames are smaller than what is shown around a weak place, so that is the whole upright picture, but
 * for the marks around the place itself. */
static double unlike_upright(const char *stack)
{
    char path[1200];
    json_t *v = said_of(stack), *weak = json_array_get(json_object_get(v, "weakest"), 0);
    snprintf(path, sizeof path, "%s/upright/f%04d.jpg", test_folder(), (int)number(weak, "frame") + 1);
    struct image_rgb up = read_picture(path);
    struct pixels p = derived(stack, "place-1.png");
    const double x0 = number(weak, "at_x_px"), y0 = number(weak, "at_y_px");
    int32_t other = 0, all = 0;
    assert_int_equal(p.w, W);
    assert_int_equal(p.h, H);
    for (int32_t y = 0; y < H - STRIP; y++)
        for (int32_t x = 0; x < W; x++) {
            if (fabs(x - x0) < 25 && fabs(y - y0) < 25) continue;
            all++;
            other += abs(p.rgb[3 * (y * W + x)] - up.rgb[3 * (y * W + x)]) > 0;
        }
    /* and the marks are there: corners in ink, darker than any texture */
    int32_t ink = 0;
    for (int32_t y = 0; y < H; y++)
        for (int32_t x = 0; x < W; x++)
            ink += p.rgb[3 * (y * W + x)] < 60 && fabs(x - x0) < 25 && fabs(y - y0) < 25;
    assert_true(ink > 8);
    json_decref(v);
    free(p.rgb);
    image_rgb_clear(&up);
    return (double)other / all;
}

static void a_weak_place_is_shown_as_it_is_seen_and_where_it_is(void **state)
{
    (void)state;
    assert_near(unlike_upright("up"), 0, 0);
    assert_near(unlike_upright("on6"), 0, 0);
    assert_near(unlike_upright("on8"), 0, 0);
    assert_true(unlike_upright("false") > 0.5);
}

static void region_is_of_the_picture_as_shown(void **state)
{
    (void)state;
    json_t *up = ask("check %s/%s --region 120,40,60,200", "up"),
           *v = ask("check %s/%s --region 120,40,60,200", "on8");
    assert_true(tiles_alike(up, v, "state") == 1);
    assert_true(json_equal(json_object_get(up, "region"), json_object_get(v, "region")));
    json_decref(up);
    json_decref(v);
    struct said r = program("check %s/on6 --region 120,40,180,100", test_folder()); /* fits as stored alone */
    assert_int_equal(r.status, 2);
    assert_non_null(strstr(r.err, "leaves the picture of 200 x 320 pixels"));
    said_clear(&r);
    r = program("check %s/on6", test_folder());
    assert_non_null(strstr(r.out, "as viewers show the frames: turned by 90 degrees clockwise"));
    said_clear(&r);
}

static void where_is_asked_and_answered_as_shown(void **state)
{
    (void)state;
    static const int32_t places[][2] = {{30, 50}, {110, 210}, {170, 30}};
    static const int orientations[] = {6, 8};
    char rest[200];
    for (size_t i = 0; i < sizeof places / sizeof *places; i++)
        for (int k = 0; k < 2; k++) {
            snprintf(rest, sizeof rest, "where %%s/%%s %d,%d", places[i][0], places[i][1]);
            json_t *up = ask(rest, "up"), *v = ask(rest, k ? "on8" : "on6");
            const json_t *a = json_array_get(json_object_get(up, "files"), 0),
                         *b = json_array_get(json_object_get(v, "files"), 0);
            assert_near(number(a, "frame"), number(b, "frame"), 0);
            assert_near(number(b, "x_px"), number(a, "x_px"), 1);
            assert_near(number(b, "y_px"), number(a, "y_px"), 1);
            int32_t x, y;
            seen_at(orientations[k], W, H, (int32_t)number(b, "stored_y_px"),
                    (int32_t)number(b, "stored_x_px"), &x, &y);
            assert_near(x, number(b, "x_px"), 0);
            assert_near(y, number(b, "y_px"), 0);
            /* The same place by its stored pixels. */
            snprintf(rest, sizeof rest, "where %%s/%%s %.0f,%.0f --as-stored --in %s",
                     number(b, "stored_x_px"), number(b, "stored_y_px"),
                     json_string_value(json_object_get(b, "file")));
            json_t *same = ask(rest, k ? "on8" : "on6");
            const json_t *c = json_array_get(json_object_get(same, "files"), 0);
            assert_true(json_equal(json_object_get(b, "file"), json_object_get(c, "file")));
            assert_near(number(c, "x_px"), number(b, "x_px"), 1);
            assert_near(number(c, "y_px"), number(b, "y_px"), 1);
            json_decref(same);
            json_decref(up);
            json_decref(v);
        }
}

/* What the page's script is given, between two marks; free() it. */
static char *part_of_page(const char *stack, const char *from, const char *to)
{
    char path[1200];
    uint8_t *bytes;
    size_t count;
    snprintf(path, sizeof path, "%s/%s/derived/report.html", test_folder(), stack);
    assert_int_equal(fs_read(path, 1 << 26, &bytes, &count, NULL), 0);
    char *page = malloc(count + 1);
    memcpy(page, bytes, count);
    page[count] = '\0';
    mem_free(bytes);
    char *a = strstr(page, from), *b = a ? strstr(a, to) : NULL;
    assert_non_null(b);
    *b = '\0';
    char *part = strdup(a);
    free(page);
    return part;
}

/* Share of the lines whose first number, the sharpest frame, differs; per cents may round otherwise. */
static double frames_unlike(const char *a, const char *b)
{
    double lines = 0, other = 0;
    while (*a && *b) {
        lines++;
        other += atoi(a) != atoi(b);
        a += strcspn(a, "\n"), b += strcspn(b, "\n");
        a += *a != 0, b += *b != 0;
    }
    assert_int_equal(*a, *b);
    return other / lines;
}

/* The table that a click is looked up in: sizes, then a line for each tile. */
static void a_click_on_the_map_finds_what_it_finds_upright(void **state)
{
    (void)state;
    char *up = part_of_page("up", "<pre id=\"tiles\"", "</pre>"),
         *on6 = part_of_page("on6", "<pre id=\"tiles\"", "</pre>"),
         *planted = part_of_page("false", "<pre id=\"tiles\"", "</pre>");
    const size_t head = strcspn(up, "\n");
    assert_memory_equal(up, on6, head + 1);
    printf("measured: of the places on the map %.3f name another frame than upright; planted %.3f\n",
           frames_unlike(up + head + 1, on6 + head + 1), frames_unlike(up + head + 1, planted + head + 1));
    assert_true(frames_unlike(up + head + 1, on6 + head + 1) < 0.05);
    assert_true(frames_unlike(up + head + 1, planted + head + 1) > 0.5);
    free(up);
    free(on6);
    free(planted);
}

/* Nobody can say how such a stack is shown; so it lies as stored, and the frame is named. */
static void frames_that_do_not_agree_are_shown_as_stored(void **state)
{
    (void)state;
    json_t *v = said_of("mixed");
    size_t i;
    json_t *f;
    bool told = false;
    assert_near(number(v, "orientation"), 1, 0);
    assert_near(number(v, "width_px"), H, 0);
    assert_near(number(v, "height_px"), W, 0);
    json_array_foreach (json_object_get(v, "findings"), i, f)
        told = told || (!strcmp(json_string_value(json_object_get(f, "code")), "turned") &&
                        json_integer_value(json_array_get(json_object_get(f, "frames"), 0)) == 6);
    assert_true(told);
    struct pixels map = derived("mixed", "frame.png"), up = derived("up", "frame.png");
    assert_true(map.h < up.h);
    free(map.rgb);
    free(up.rgb);
    json_decref(v);
}

/* Where the grid of tiles leaves a strip or reaches beyond the picture, it does so on another side when
 * turned. Truth: the depth at x is frame 2 + x / (width - 1) * (frames - 5) (slope.h). */
static double depth_at(double x)
{
    return 2 + x / (ODD_W - 1) * (FRAMES - 5);
}

static void places_are_right_where_the_grid_does_not_fit(void **state)
{
    (void)state;
    json_t *v = said_of("odd"), *grid = json_object_get(v, "tiles");
    const json_t *row = json_array_get(json_object_get(grid, "peak"), 5);
    size_t c;
    json_t *peak;
    double sum = 0, asked = 0;
    int n = 0;
    json_array_foreach (row, c, peak) {
        const double x = number(grid, "x_px") + ((double)c + 0.5) * number(v, "tile_px");
        if (!json_is_number(peak)) continue;
        sum += json_number_value(peak) - depth_at(x);
        n++;
    }
    assert_true(n >= 7);
    for (int32_t x = 20; x < ODD_W - 20; x += 29) {
        char rest[100];
        snprintf(rest, sizeof rest, "where %%s/%%s %d,110", x);
        json_t *w = ask(rest, "odd");
        asked += number(w, "focus_frame") - depth_at(x);
        json_decref(w);
    }
    printf("measured: a grid that begins at %.0f,%.0f: peaks are off by %.2f frames in the mean, places "
           "asked by "
           "%.2f\n",
           number(grid, "x_px"), number(grid, "y_px"), sum / n, asked / 6);
    assert_true(number(grid, "x_px") != 0 || number(grid, "y_px") != 0);
    assert_near(sum / n, 0, 0.15); /* a tile is 1.5 frames wide */
    assert_near(asked / 6, 0, 0.4);
    json_decref(v);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_picture_is_that_of_the_upright_stack),
        cmocka_unit_test(places_in_the_json_are_those_of_the_upright_stack),
        cmocka_unit_test(a_weak_place_is_shown_as_it_is_seen_and_where_it_is),
        cmocka_unit_test(where_is_asked_and_answered_as_shown),
        cmocka_unit_test(a_click_on_the_map_finds_what_it_finds_upright),
        cmocka_unit_test(frames_that_do_not_agree_are_shown_as_stored),
        cmocka_unit_test(places_are_right_where_the_grid_does_not_fit),
        cmocka_unit_test(region_is_of_the_picture_as_shown), /* last: it changes pictures */
    };
    return cmocka_run_group_tests(tests, set_up, NULL);
}
