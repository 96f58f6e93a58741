/* The subjects of the simulated bench: pictures with depth maps, the clock movement, their truth, and files
 * that are no scene. */
#include "tests/support/test.h"

#include <png.h>
#include <pthread.h>
#include <unistd.h>

#include "base/fs.h"
#include "base/mem.h"
#include "tests/support/bench_scene.h"

/* Debian's opencv-doc; the photograph and its measured disparities are from the Middlebury stereo data of
 * 2006 (Scharstein and Pal, CVPR 2007). */
#define PHOTO     "/usr/share/doc/opencv-doc/examples/data/aloeL.jpg"
#define PHOTO_MAP "/usr/share/doc/opencv-doc/examples/data/aloeGT.png"

static struct bench_scene photo_bench(void)
{
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 641, 555, 24000.0 / 641);
    snprintf(b.scene.picture, sizeof b.scene.picture, "%s", PHOTO);
    snprintf(b.scene.depth_map, sizeof b.scene.depth_map, "%s", PHOTO_MAP);
    b.scene.near_nm = 500000;
    b.scene.depth_nm = 1300000;
    return b;
}

/* Depth as 1 / disparity, nearest known at near, farthest known at near + depth; read here by libpng's own
 * reader. */
static void the_truth_of_a_photograph_is_its_depth_map(void **state)
{
    (void)state;
    png_image image = {.version = PNG_IMAGE_VERSION};
    assert_true(png_image_begin_read_from_file(&image, PHOTO_MAP));
    image.format = PNG_FORMAT_GRAY;
    uint8_t *disparity = malloc(PNG_IMAGE_SIZE(image));
    assert_non_null(disparity);
    assert_true(png_image_finish_read(&image, NULL, disparity, 0, NULL));
    assert_int_equal(image.width, 1282);
    double least = 255, most = 0;
    for (size_t i = 0; i < (size_t)image.width * image.height; i++) {
        if (!disparity[i]) continue;
        least = fmin(least, disparity[i]);
        most = fmax(most, disparity[i]);
    }
    struct bench_scene b = photo_bench();
    b.bench.lens.focal_length_nm = 35000000000; /* so far away that nothing moves by perspective */
    bench_scene_open(&b);
    float *truth = malloc((size_t)641 * 555 * sizeof *truth);
    assert_non_null(truth);
    int compared = 0, unknown = 0;
    world_truth_focus(b.world, 500000, 0, truth);
    for (int32_t y = 4; y < 551; y++) {
        for (int32_t x = 4; x < 637; x++) {
            /* A place of one depth, well inside. */
            bool same = true;
            uint8_t d = disparity[(2 * y) * 1282 + 2 * x];
            for (int32_t v = -3; v <= 4; v++) {
                for (int32_t u = -3; u <= 4; u++)
                    same = same && abs(disparity[(2 * y + v) * 1282 + 2 * x + u] - d) <= 2;
            }
            if (!same) continue;
            double found = (double)truth[y * 641 + x];
            if (d == 0) {
                assert_true(isnan(found));
                unknown++;
                continue;
            }
            double depth = 500000 + 1300000 * (1.0 / d - 1 / most) / (1 / least - 1 / most);
            double step = 1300000 * (1.0 / (d - 2) - 1.0 / d) / (1 / least - 1 / most);
            assert_near(found, depth, 1.5 * step + 500);
            compared++;
        }
    }
    printf("measured: %d places of the photograph have the depth of its map, %d are unknown there\n",
           compared, unknown);
    assert_true(compared > 100000);
    assert_true(unknown > 1000);
    free(truth);
    free(disparity);
    bench_scene_close(&b);
}

static void unknown_depth_is_left_out_of_the_truth(void **state)
{
    (void)state;
    const int32_t w = 96, h = 64;
    float light[96 * 64];
    uint8_t map[96 * 64];
    for (int32_t i = 0; i < w * h; i++) {
        int32_t x = i % w;
        light[i] = 0.2f;
        map[i] = x < 30 ? 200 : x < 50 ? 0 : 100;
    }
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, w, h, 50);
    bench_scene_picture(&b, w, h, light, map);
    bench_scene_open(&b);
    float truth[96 * 64], sharp[3 * 96 * 64];
    world_truth_focus(b.world, 0, 0, truth);
    assert_near((double)truth[32 * w + 20], 0, 1);
    assert_true(isnan(truth[32 * w + 40]));
    world_truth_focus(b.world, 1000000, 0, truth);
    assert_near((double)truth[32 * w + 80], 1000000, 1);
    world_truth_sharp(b.world, 0, sharp);
    assert_near((double)sharp[3 * (32 * w + 40) + 1], 0.2, 0.005);
    bench_scene_close(&b);
    b.scene.depth_map_is_distance = true;
    bench_scene_open(&b);
    world_truth_focus(b.world, 0, 0, truth);
    assert_near((double)truth[32 * w + 80], 0, 1);
    bench_scene_close(&b);
}

/* Where the truth says that a frame is in focus, it looks like the all-sharp picture; elsewhere it does not.
 */
static void a_frame_is_sharp_where_the_truth_says_so(void **state)
{
    (void)state;
    struct bench_scene b = photo_bench();
    bench_scene_open(&b);
    float *truth = malloc((size_t)641 * 555 * sizeof *truth),
          *sharp = malloc((size_t)3 * 641 * 555 * sizeof *sharp);
    assert_non_null(truth);
    assert_non_null(sharp);
    struct shot s = bench_scene_shot(&b, 1500000);
    struct light_frame f = bench_scene_frame(&b, &s);
    world_truth_focus(b.world, 1500000, 0, truth);
    world_truth_sharp(b.world, 1500000, sharp);
    double detail[2][2] = {{0}}; /* in focus, out of it: of the frame, of the truth */
    for (int32_t y = 2; y < 553; y++) {
        for (int32_t x = 2; x < 639; x++) {
            int32_t i = y * 641 + x;
            double away = fabs((double)truth[i] - 1500000);
            if (isnan(away) || (away > 15000 && away < 150000)) continue;
            int out = away > 15000;
            double in_frame = 4 * (double)f.green[i] - (double)f.green[i - 1] - (double)f.green[i + 1] -
                              (double)f.green[i - 641] - (double)f.green[i + 641];
            double in_truth = 4 * (double)sharp[3 * i + 1] - (double)sharp[3 * i - 2] -
                              (double)sharp[3 * i + 4] - (double)sharp[3 * (i - 641) + 1] -
                              (double)sharp[3 * (i + 641) + 1];
            detail[out][0] += in_frame * in_frame;
            detail[out][1] += in_truth * in_truth;
        }
    }
    printf("measured: fine detail kept in focus %.2f, out of it %.3f\n", detail[0][0] / detail[0][1],
           detail[1][0] / detail[1][1]);
    assert_true(detail[0][0] > 0.3 * detail[0][1]);
    assert_true(detail[1][0] < 0.02 * detail[1][1]);
    free(truth);
    free(sharp);
    light_frame_free(&f);
    bench_scene_close(&b);
}

static void the_clock_movement_fills_its_depth_with_a_hair_in_front(void **state)
{
    (void)state;
    static const int32_t sizes[][2] = {{480, 320}, {241, 181}};
    for (int k = 0; k < 2; k++) {
        const int32_t w = sizes[k][0], h = sizes[k][1];
        struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, w, h, 24000.0 / w);
        b.scene.near_nm = 200000;
        b.scene.depth_nm = 3400000;
        bench_scene_open(&b);
        float *front = malloc((size_t)w * (size_t)h * sizeof *front),
              *behind = malloc((size_t)w * (size_t)h * sizeof *behind);
        assert_non_null(front);
        assert_non_null(behind);
        world_truth_focus(b.world, 200000, 0, front);
        world_truth_focus(b.world, 200000, 1, behind);
        double nearest = 1e12, farthest = 0;
        int hair = 0;
        for (int32_t i = 0; i < w * h; i++) {
            assert_true(isfinite(front[i]));
            nearest = fmin(nearest, (double)front[i]);
            farthest = fmax(farthest, (double)front[i]);
            if (isnan(behind[i])) continue;
            hair++;
            assert_true(behind[i] > front[i] + 200000);
        }
        printf("measured: clock movement from %.0f to %.0f um of 200 to 3600\n", nearest / 1000,
               farthest / 1000);
        assert_true(nearest >= 200000 && nearest < 200000 + 100000);
        assert_true(farthest <= 3600000 && farthest > 3600000 - 150000);
        assert_true(hair > w * h / 200 && hair < w * h / 20);
        free(front);
        free(behind);
        bench_scene_close(&b);
    }
}

/* From near at the left edge to far at the right one, evenly, by 45 degrees: as deep as the picture is wide.
 * Its marks are half a millimetre apart along the
 * steel. */
static void the_ruler_leans_back_from_left_to_right(void **state)
{
    (void)state;
    enum { W = 480, H = 320 };
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, W, H, 24000.0 / W);
    b.bench.lens.focal_length_nm = 35000000000; /* so far away that nothing moves by perspective */
    b.scene.ruler = true;
    b.scene.depth_nm = 0;
    b.scene.near_nm = 1000000;
    bench_scene_open(&b);
    float *truth = malloc((size_t)W * H * sizeof *truth), *sharp = malloc((size_t)3 * W * H * sizeof *sharp);
    assert_non_null(truth);
    assert_non_null(sharp);
    world_truth_focus(b.world, 4000000, 0, truth);
    world_truth_sharp(b.world, 4000000, sharp);
    for (int x = 0; x < W; x++) {
        assert_near((double)truth[10 * W + x], 1e6 + 6e6 * x / (W - 1), 2000);
        assert_near((double)truth[(H - 10) * W + x], (double)truth[10 * W + x], 1);
    }
    int first = 0, last = 0, marks = 0;
    for (int x = 1; x < W; x++) { /* a mark begins where it becomes dark */
        const bool dark = sharp[3 * (20 * W + x)] < 0.12f, was = sharp[3 * (20 * W + x - 1)] < 0.12f;
        if (!dark || was) continue;
        if (!marks++) first = x;
        last = x;
    }
    const double seen_um = (double)(last - first) / (marks - 1) * 24000 / W / 4;
    printf("measured: marks of the ruler %.1f um apart along it\n", seen_um * sqrt(2));
    assert_near(seen_um * sqrt(2), 500, 3);
    free(truth);
    free(sharp);
    bench_scene_close(&b);
}

/* --- files that are no scene --- */

static void refuses(struct bench_scene *b, const char *words)
{
    struct err why = {0};
    struct world *w =
        world_new(&(struct world_opts){.bench = &b->bench, .scene = &b->scene, .magnification = 4}, &why);
    assert_null(w);
    assert_int_equal(why.code, E_INPUT);
    if (!strstr(why.text, words)) print_error("'%s' does not say '%s'\n", why.text, words);
    assert_non_null(strstr(why.text, words));
    assert_non_null(strchr(why.text, ';')); /* and what to do */
    assert_null(strchr(why.text, '\n'));
}

static void cut_file(const char *from, const char *name, size_t keep, char *path, size_t room)
{
    uint8_t *bytes;
    size_t count;
    struct err why;
    assert_int_equal(fs_read(from, 64 << 20, &bytes, &count, &why), 0);
    assert_true(count > keep);
    snprintf(path, room, "%s/%s", test_folder(), name);
    unlink(path);
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    assert_int_equal(fwrite(bytes, 1, keep, f), keep);
    assert_int_equal(fclose(f), 0);
    mem_free(bytes);
}

static void a_file_that_is_no_scene_gives_one_clear_error(void **state)
{
    (void)state;
    struct bench_scene good = photo_bench(), b = good;
    snprintf(b.scene.picture, sizeof b.scene.picture, "%s/none.jpg", test_folder());
    refuses(&b, "none.jpg: no such file");
    b = good;
    snprintf(b.scene.depth_map, sizeof b.scene.depth_map, "%s/none.png", test_folder());
    refuses(&b, "none.png: no such file");
    b = good;
    snprintf(b.scene.depth_map, sizeof b.scene.depth_map, "%s", PHOTO);
    refuses(&b, "not a gray PNG");
    b = good;
    cut_file(PHOTO, "cut.jpg", 60000, b.scene.picture, sizeof b.scene.picture);
    refuses(&b, "damaged JPEG");
    b = good;
    cut_file(PHOTO_MAP, "cut.png", 9000, b.scene.depth_map, sizeof b.scene.depth_map);
    refuses(&b, "damaged PNG");
    b = good;
    float light[32 * 32] = {0};
    uint8_t map[32 * 32] = {0};
    struct bench_scene small = good;
    bench_scene_picture(&small, 32, 32, light, map);
    refuses(&small, "no depth at all");
    snprintf(b.scene.picture, sizeof b.scene.picture, "%s", small.scene.picture);
    refuses(&b, "both must show the same");
    b = good;
    b.bench.lens.f_number = 0;
    refuses(&b, "no aperture");
}

struct looker {
    const struct world *world;
    struct shot shot;
    uint8_t *jpeg;
    size_t count;
    int rc;
};

static void *look(void *arg)
{
    struct looker *l = arg;
    l->rc = world_render(l->world, &l->shot, 1, &l->jpeg, &l->count, NULL);
    return NULL;
}

/* Two threads look first, at once; and where memory runs out at the first look, the second one builds it. */
static void a_scene_that_is_built_late_is_the_same(void **state)
{
    (void)state;
    for (int ruler = 0; ruler < 2; ruler++) {
        struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 96, 64, 250);
        b.scene.ruler = ruler;
        struct world_opts o = {.bench = &b.bench, .scene = &b.scene, .magnification = 4, .seed = 3};
        struct world *at_once = world_new(&o, NULL);
        o.scene_later = true;
        struct world *later = world_new(&o, NULL);
        assert_true(at_once && later);
        b.world = at_once;
        const struct shot s = bench_scene_shot(&b, 1000000);
        struct looker first = {at_once, s, NULL, 0, 0},
                      two[2] = {{later, s, NULL, 0, 0}, {later, s, NULL, 0, 0}};
        look(&first);
        assert_int_equal(first.rc, 0);
        mem_fail_at(2); /* the picture itself is the first */
        look(&two[0]);
        mem_fail_at(0);
        assert_int_equal(two[0].rc, E_NOMEM);
        pthread_t thread;
        assert_int_equal(pthread_create(&thread, NULL, look, &two[0]), 0);
        look(&two[1]);
        pthread_join(thread, NULL);
        for (int i = 0; i < 2; i++) {
            assert_int_equal(two[i].rc, 0);
            assert_int_equal(two[i].count, first.count);
            assert_memory_equal(two[i].jpeg, first.jpeg, first.count);
            mem_free(two[i].jpeg);
        }
        mem_free(first.jpeg);
        world_free(later);
        bench_scene_close(&b);
    }
}

/* Every allocation of building and rendering fails once: an error each time, nothing lost, and then it works.
 */
static void memory_running_out_is_an_error_and_no_crash(void **state)
{
    (void)state;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 96, 64, 250);
    bool built = false;
    for (long n = 1; !built; n += n < 40 ? 1 : 37) {
        struct err why = {0};
        mem_fail_at(n);
        struct world *w =
            world_new(&(struct world_opts){.bench = &b.bench, .scene = &b.scene, .magnification = 4}, &why);
        mem_fail_at(0);
        built = w != NULL;
        if (!built) assert_int_equal(why.code, E_NOMEM);
        world_free(w);
    }
    bench_scene_open(&b);
    struct shot s = bench_scene_shot(&b, 1000000);
    s.x_um[3] = 10;
    bool drawn = false;
    for (long n = 1; !drawn; n += n < 40 ? 1 : 7) {
        struct err why = {0};
        uint8_t *jpeg = NULL;
        size_t count = 0;
        mem_fail_at(n);
        int rc = world_render(b.world, &s, 1, &jpeg, &count, &why);
        mem_fail_at(0);
        drawn = rc == 0;
        if (!drawn) assert_int_equal(rc, E_NOMEM);
        mem_free(jpeg);
    }
    bench_scene_close(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_truth_of_a_photograph_is_its_depth_map),
        cmocka_unit_test(unknown_depth_is_left_out_of_the_truth),
        cmocka_unit_test(a_frame_is_sharp_where_the_truth_says_so),
        cmocka_unit_test(the_clock_movement_fills_its_depth_with_a_hair_in_front),
        cmocka_unit_test(the_ruler_leans_back_from_left_to_right),
        cmocka_unit_test(a_file_that_is_no_scene_gives_one_clear_error),
        cmocka_unit_test(a_scene_that_is_built_late_is_the_same),
        cmocka_unit_test(memory_running_out_is_an_error_and_no_crash),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
