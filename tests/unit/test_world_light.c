/* Light, noise, files: what the simulated camera's frames say in numbers. */
#include "tests/support/test.h"

#include <libexif/exif-data.h>

#include "base/mem.h"
#include "tests/support/bench_scene.h"

#define PI 3.14159265358979323846

static struct bench_scene gray_bench(float level)
{
    const int32_t w = 96, h = 64;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, w, h, 13.333333);
    float *light = malloc((size_t)w * (size_t)h * sizeof *light);
    assert_non_null(light);
    for (int32_t i = 0; i < w * h; i++)
        light[i] = level;
    bench_scene_picture(&b, w, h, light, NULL);
    free(light);
    bench_scene_open(&b);
    return b;
}

static double mean_light(struct bench_scene *b, const struct shot *s)
{
    struct light_frame f = bench_scene_frame(b, s);
    double sum = 0;
    for (int32_t i = 0; i < f.width * f.height; i++)
        sum += (double)f.green[i];
    light_frame_free(&f);
    return sum / (f.width * f.height);
}

/* Exposure goes as t S / N^2 (ISO 2720; the exposure value doubles a stop). */
static void a_stop_is_a_stop(void **state)
{
    (void)state;
    struct bench_scene b = gray_bench(0.2f);
    struct shot s = bench_scene_shot(&b, 0);
    double good = mean_light(&b, &s);
    assert_near(good, 0.2, 0.004);
    struct shot twice = {.noise_seed = 1};
    world_expose(b.world, 1000000, 1500000, false, &twice);
    assert_near(mean_light(&b, &twice) / good, 2, 0.03);
    struct shot closed = s;
    closed.f_number = 5.6;
    assert_near(mean_light(&b, &closed) / good, 0.25, 0.01);
    closed.iso = 400;
    assert_near(mean_light(&b, &closed) / good, 1, 0.02);
    bench_scene_close(&b);
}

/* `exposure_us` of the world's opts is the right one for its lens as built, whatever that is. */
static void light_at_the_right_exposure_does_not_depend_on_the_lens(void **state)
{
    (void)state;
    struct bench_scene b = gray_bench(0.2f);
    world_free(b.world);
    b.bench.lens.f_number = 8;
    b.magnification = 1;
    bench_scene_open(&b);
    struct shot s = bench_scene_shot(&b, 0);
    assert_near(mean_light(&b, &s), 0.2, 0.004);
    bench_scene_close(&b);
}

/* A lamp that flickers sinusoidally at F by M: exposures vary by +-M |sin(pi F t) / (pi F t)| (derived; the
 * table's values, F = 100: t = 1/125: 0.233872, 1/60: 0.165399, 1/50: 0). */
static void flicker_is_averaged_over_the_exposure(void **state)
{
    (void)state;
    static const double rows[][2] = {
        {1.0 / 125, 0.233872}, {1.0 / 60, 0.165399}, {1.0 / 50, 0}, {1.0 / 250, 0.756827}};
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 48, 32, 500);
    b.scene.lamp_ripple = 0.3;
    b.scene.lamp_hz = 100;
    bench_scene_open(&b);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        int64_t long_us = llround(1e6 * rows[i][0]);
        double most = 0, least = 1e9;
        for (int64_t open_us = 0; open_us < 10000; open_us += 50) {
            struct shot s = {0};
            world_expose(b.world, open_us, open_us + long_us, false, &s);
            most = fmax(most, s.light);
            least = fmin(least, s.light);
        }
        double good = (double)long_us / 250000;
        assert_near((most - least) / 2 / good, 0.3 * rows[i][1], 3e-4);
        assert_near((most + least) / 2 / good, 1, 1e-3);
    }
    bench_scene_close(&b);
}

static void a_lamp_drifts_and_scatters_as_told(void **state)
{
    (void)state;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 48, 32, 500);
    b.scene.lamp_drift_stops_per_hour = -0.5;
    bench_scene_open(&b);
    struct shot first = {0}, later = {0};
    world_expose(b.world, 0, 250000, false, &first);
    world_expose(b.world, 3600000000, 3600250000, false, &later);
    assert_near(log2(later.light / first.light), -0.5, 1e-9);
    bench_scene_close(&b);
    b.scene.lamp_drift_stops_per_hour = 0;
    b.scene.lamp_scatter_stops = 0.1;
    bench_scene_open(&b);
    double sum = 0, square = 0;
    for (int i = 0; i < 2000; i++) {
        world_expose(b.world, i * 1000000LL, i * 1000000LL + 250000, false, &first);
        sum += log2(first.light);
        square += log2(first.light) * log2(first.light);
    }
    assert_near(sum / 2000, 0, 0.01);
    assert_near(sqrt(square / 2000), 0.1, 0.006);
    bench_scene_close(&b);
}

static void a_flash_does_not_see_the_shutter(void **state)
{
    (void)state;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 48, 32, 500);
    bench_scene_open(&b);
    struct shot s = {0};
    world_expose(b.world, 0, 10000, true, &s);
    assert_near(s.light, 1, 1e-9);
    world_expose(b.world, 0, 1000000, true, &s);
    assert_near(s.light, 1, 1e-9);
    bench_scene_close(&b);
}

/* Beyond the sync speed the curtain leaves part of the frame dark: the camera says which. */
static void a_curtain_leaves_rows_dark(void **state)
{
    (void)state;
    struct bench_scene b = gray_bench(0.2f);
    struct shot s = bench_scene_shot(&b, 0);
    s.lit_from = 0.25;
    s.lit_to = 1;
    struct light_frame f = bench_scene_frame(&b, &s);
    assert_true(f.green[4 * f.width + 40] < 0.001f);
    assert_near((double)f.green[40 * f.width + 40], 0.2, 0.01);
    light_frame_free(&f);
    bench_scene_close(&b);
}

/* Photons: variance of the electron count is its mean (Poisson), and reading adds its own. At light 0.2 of a
 * full well of 32000: sigma / mean = 1 / sqrt(6400). */
static void noise_is_that_of_photons(void **state)
{
    (void)state;
    struct bench_scene b = gray_bench(0.2f);
    bench_scene_close(&b);
    b.scene.noise = 4; /* so that 8 bits and the JPEG do not hide it */
    bench_scene_open(&b);
    struct shot s = bench_scene_shot(&b, 0);
    struct light_frame f = bench_scene_frame(&b, &s);
    double sum = 0, square = 0, n = f.width * f.height;
    for (int32_t i = 0; i < f.width * f.height; i++)
        sum += (double)f.green[i];
    for (int32_t i = 0; i < f.width * f.height; i++)
        square += pow((double)f.green[i] - sum / n, 2);
    double relative = sqrt(square / n) / (sum / n);
    /* Luma of three independent channels, as far as the JPEG keeps it: sqrt(.299^2 + .587^2 + .114^2) =
     * 0.669. */
    printf("measured: noise %.4f of the light, photons make %.4f\n", relative, 4 / sqrt(6400.0) * 0.669);
    assert_near(relative, 4 / sqrt(6400.0) * 0.669, 0.15 * 4 / sqrt(6400.0));
    light_frame_free(&f);
    bench_scene_close(&b);
}

/* --- same shot, same bytes --- */

static uint8_t *render(const struct world *w, const struct shot *s, int threads, size_t *count)
{
    struct err why = {0};
    uint8_t *jpeg = NULL;
    if (world_render(w, s, threads, &jpeg, count, &why)) print_error("%s\n", why.text);
    assert_non_null(jpeg);
    return jpeg;
}

static void the_same_shot_gives_the_same_bytes_on_any_number_of_threads(void **state)
{
    (void)state;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 333, 221, 72);
    b.scene.depth_nm = 3400000;
    b.scene.noise = 0;
    b.ideal = b.quiet = false;
    bench_scene_open(&b);
    for (int i = 0; i < 3; i++) {
        struct shot s = bench_scene_shot(&b, i * 1600000);
        for (int k = 0; k < s.samples; k++)
            s.x_um[k] += 20 * sin(k);
        size_t count[5];
        uint8_t *jpeg[5] = {render(b.world, &s, 1, &count[0]), render(b.world, &s, 2, &count[1]),
                            render(b.world, &s, 8, &count[2]), render(b.world, &s, 1, &count[3]), NULL};
        s.noise_seed++;
        jpeg[4] = render(b.world, &s, 1, &count[4]);
        for (int k = 1; k < 4; k++) {
            assert_int_equal(count[0], count[k]);
            assert_memory_equal(jpeg[0], jpeg[k], count[0]);
        }
        assert_true(count[4] != count[0] || memcmp(jpeg[0], jpeg[4], count[0]) != 0);
        for (int k = 0; k < 5; k++)
            mem_free(jpeg[k]);
    }
    bench_scene_close(&b);
}

static void two_worlds_from_one_seed_are_one_world(void **state)
{
    (void)state;
    uint8_t *jpeg[3];
    size_t count[3];
    for (int i = 0; i < 3; i++) {
        struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 240, 160, 100);
        b.scene.depth_nm = 3400000;
        b.scene.noise = 0;
        bench_scene_open(&b);
        struct shot s = bench_scene_shot(&b, i == 2 ? 1000000 : 2000000);
        jpeg[i] = render(b.world, &s, 1, &count[i]);
        bench_scene_close(&b);
    }
    assert_int_equal(count[0], count[1]);
    assert_memory_equal(jpeg[0], jpeg[1], count[0]);
    assert_true(count[0] != count[2] || memcmp(jpeg[0], jpeg[2], count[0]) != 0);
    for (int i = 0; i < 3; i++)
        mem_free(jpeg[i]);
}

/* --- Exif (CIPA DC-008), read back by libexif --- */

static const char *exif_text(ExifData *d, ExifIfd ifd, ExifTag tag, char *room, unsigned size)
{
    ExifEntry *e = exif_content_get_entry(d->ifd[ifd], tag);
    assert_non_null(e);
    return exif_entry_get_value(e, room, size);
}

static void a_frame_tells_when_and_how_it_was_taken(void **state)
{
    (void)state;
    char t[128];
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 96, 64, 250);
    bench_scene_open(&b);
    struct shot s = bench_scene_shot(&b, 0);
    s.wall_us = 978379200050000; /* 2001-01-01 20:00:00.05 UTC */
    s.focal_length_nm = 35000000;
    s.iso = 200;
    s.token = 77;
    size_t count;
    uint8_t *jpeg = render(b.world, &s, 1, &count);
    ExifData *d = exif_data_new_from_data(jpeg, (unsigned)count);
    assert_non_null(d);
    assert_string_equal(exif_text(d, EXIF_IFD_EXIF, EXIF_TAG_DATE_TIME_ORIGINAL, t, sizeof t),
                        "2001:01:01 20:00:00");
    assert_string_equal(exif_text(d, EXIF_IFD_EXIF, EXIF_TAG_SUB_SEC_TIME_ORIGINAL, t, sizeof t), "050000");
    assert_string_equal(exif_text(d, EXIF_IFD_EXIF, EXIF_TAG_OFFSET_TIME_ORIGINAL, t, sizeof t), "+00:00");
    assert_string_equal(exif_text(d, EXIF_IFD_EXIF, EXIF_TAG_EXPOSURE_TIME, t, sizeof t), "1/4 sec.");
    assert_string_equal(exif_text(d, EXIF_IFD_EXIF, EXIF_TAG_FNUMBER, t, sizeof t), "f/2.8");
    assert_string_equal(exif_text(d, EXIF_IFD_EXIF, EXIF_TAG_ISO_SPEED_RATINGS, t, sizeof t), "200");
    assert_string_equal(exif_text(d, EXIF_IFD_EXIF, EXIF_TAG_FOCAL_LENGTH, t, sizeof t), "35.0 mm");
    assert_string_equal(exif_text(d, EXIF_IFD_EXIF, EXIF_TAG_PIXEL_X_DIMENSION, t, sizeof t), "96");
    assert_string_equal(exif_text(d, EXIF_IFD_0, EXIF_TAG_MODEL, t, sizeof t), "simulated camera");
    assert_string_equal(exif_text(d, EXIF_IFD_0, EXIF_TAG_ORIENTATION, t, sizeof t), "Top-left");
    assert_int_equal(strlen(exif_text(d, EXIF_IFD_EXIF, EXIF_TAG_IMAGE_UNIQUE_ID, t, sizeof t)), 32);
    exif_data_unref(d);
    mem_free(jpeg);
    bench_scene_close(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_stop_is_a_stop),
        cmocka_unit_test(light_at_the_right_exposure_does_not_depend_on_the_lens),
        cmocka_unit_test(flicker_is_averaged_over_the_exposure),
        cmocka_unit_test(a_lamp_drifts_and_scatters_as_told),
        cmocka_unit_test(a_flash_does_not_see_the_shutter),
        cmocka_unit_test(a_curtain_leaves_rows_dark),
        cmocka_unit_test(noise_is_that_of_photons),
        cmocka_unit_test(the_same_shot_gives_the_same_bytes_on_any_number_of_threads),
        cmocka_unit_test(two_worlds_from_one_seed_are_one_world),
        cmocka_unit_test(a_frame_tells_when_and_how_it_was_taken),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
