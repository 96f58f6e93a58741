/* Shift and scale between two pictures whose truth is known because the test made them. Fair limits
 * (upsampled matching saturates near 0.01 px: Unger and Brinker 2021): 0.02 px without noise, 0.1 px with
 * blur and 1 % noise. */
#include "tests/support/test.h"

#include "tests/support/moved.h"
#include "tests/support/registered.h"

struct truth {
    double dx, dy, scale;
};

static struct register_space *space;

static int set_up(void **state)
{
    (void)state;
    struct err why;
    space = register_space_new(&why);
    return space ? 0 : -1;
}

static int tear_down(void **state)
{
    (void)state;
    register_space_free(space);
    return 0;
}

/* Two pictures of one photograph that differ by a known shift and scale: both by exact area averages of it.
 */
static void make_pair(const struct photo *source, int32_t width, int32_t height, double step, struct truth t,
                      struct photo *before, struct photo *now)
{
    const double step_now = step / t.scale;
    const double x0 = (source->width - step * width) / 2, y0 = (source->height - step * height) / 2;
    const double cx = source->width / 2.0, cy = source->height / 2.0;
    *before = photo_area(source, width, height, x0, y0, step);
    *now = photo_area(source, width, height, cx - step_now * (width / 2.0 + t.dx),
                      cy - step_now * (height / 2.0 + t.dy), step_now);
}

static double error_at(const struct frame_shift *got, struct truth t, double x, double y)
{
    const double ex = ((double)got->scale - t.scale) * x + (double)got->dx_px - t.dx;
    const double ey = ((double)got->scale - t.scale) * y + (double)got->dy_px - t.dy;
    return hypot(ex, ey);
}

static void check_pair(const struct photo *before, const struct photo *now, struct truth t,
                       double centre_limit, double corner_limit, double *worst_centre, double *worst_corner)
{
    const struct frame_shift got = photos_registered(space, before, now);
    const double centre = error_at(&got, t, 0, 0);
    double corner = 0;
    for (int k = 0; k < 4; k++)
        corner =
            fmax(corner, error_at(&got, t, before->width * (k % 2 - 0.5), before->height * (k / 2 - 0.5)));
    if (getenv("SHOW"))
        printf("%dx%d (%.2f %.2f %.4f): got (%.3f %.3f %.5f) trust %d confidence %.2f, off %.4f %.4f\n",
               before->width, before->height, t.dx, t.dy, t.scale, (double)got.dx_px, (double)got.dy_px,
               (double)got.scale, (int)got.trust, (double)got.confidence, centre, corner);
    assert_int_equal(got.trust, SHIFT_GOOD);
    assert_near(centre, 0, centre_limit);
    assert_near(corner, 0, corner_limit);
    *worst_centre = fmax(*worst_centre, centre);
    *worst_corner = fmax(*worst_corner, corner);
}

static const struct truth truths[] = {
    {0, 0, 1},          {0.3, -0.2, 1},   {-0.5, 0.5, 1.0005},  {1.25, 0.75, 0.999},
    {-2.6, 3.1, 1.002}, {7.4, -5.2, 1},   {0.05, 0.02, 0.9999}, {-11.3, 8.8, 0.996},
    {3.3, 1.7, 1.01},   {0.4, 0.1, 0.98}, {1, -2, 1.04},        {0, 3, 0.96},
};

static void known_shifts_and_scales_of_photographs_are_found(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        int32_t width, height;
        double step;
    } set[] = {
        {"aloeL.jpg", 480, 320, 2.5}, {"aloeL.jpg", 641, 555, 1.88},   {"aloeL.jpg", 1180, 980, 1.03},
        {"board.jpg", 480, 320, 1.2}, {"leuvenA.jpg", 480, 320, 1.42},
    };
    for (size_t i = 0; i < sizeof set / sizeof *set; i++) {
        struct photo source = photo_load(set[i].name);
        double centre = 0, corner = 0;
        for (size_t k = 0; k < sizeof truths / sizeof *truths; k++) {
            struct photo before, now;
            make_pair(&source, set[i].width, set[i].height, set[i].step, truths[k], &before, &now);
            check_pair(&before, &now, truths[k], 0.02, 0.05, &centre, &corner);
            photo_free(&before);
            photo_free(&now);
        }
        printf("measured: registration of %s at %d x %d: off by at most %.4f px in the centre, %.4f px in "
               "the corners\n",
               set[i].name, set[i].width, set[i].height, centre, corner);
        photo_free(&source);
    }
}

/* Focus moved between the two (discs of 1.5 and 3 px), 1 % noise, a fifth less light. */
static void blur_noise_and_light_move_the_result_little(void **state)
{
    (void)state;
    struct photo source = photo_load("aloeL.jpg");
    double centre = 0, corner = 0;
    for (size_t k = 0; k < sizeof truths / sizeof *truths; k++) {
        struct photo before, now;
        make_pair(&source, 641, 555, 1.88, truths[k], &before, &now);
        struct photo a = photo_disc_blur(&before, 1.5), b = photo_disc_blur(&now, 3);
        for (int32_t i = 0; i < b.width * b.height; i++)
            b.gray[i] *= 0.8f;
        photo_add_noise(&a, 2.55, 2 * k + 1);
        photo_add_noise(&b, 2.55, 2 * k + 2);
        check_pair(&a, &b, truths[k], 0.05, 0.1, &centre, &corner);
        photo_free(&before);
        photo_free(&now);
        photo_free(&a);
        photo_free(&b);
    }
    printf("measured: registration of aloeL.jpg with blur, noise and less light: off by at most %.4f px in "
           "the centre, "
           "%.4f px in the corners\n",
           centre, corner);
    photo_free(&source);
}

/* The truth of the tables: two ways to move a photograph, which share nothing, give the same picture. */
static void two_ways_to_move_a_photograph_agree(void **state)
{
    (void)state;
    struct photo whole = photo_load("board.jpg");
    const struct moved m = {7.3, -4.85, 1};
    photo_to_light(&whole);
    struct photo soft = photo_gauss(&whole, 0.8);
    struct photo far = photo_fourier(&soft, m.dx, m.dy), a = photo_part(&far, 40, 40, 560, 400),
                 b = photo_seen(&soft, 560, 400, &m);
    double most = 0, sum = 0;
    for (int32_t i = 0; i < a.width * a.height; i++) {
        const double off = fabs((double)a.gray[i] - (double)b.gray[i]);
        most = fmax(most, off);
        sum += off * off;
    }
    printf("measured: a photograph moved by Fourier and by a sinc: %.3f of 255 apart, rms, %.3f at most\n",
           sqrt(sum / (a.width * a.height)), most);
    assert_near(most, 0, 1);
    assert_near(sqrt(sum / (a.width * a.height)), 0, 0.15);
    photo_free(&whole);
    photo_free(&soft);
    photo_free(&far);
    photo_free(&a);
    photo_free(&b);
}

static struct photo wallpaper(int32_t width, int32_t height, double period, double dx)
{
    struct photo p = {width, height, malloc((size_t)width * (size_t)height * sizeof(float))};
    for (int32_t y = 0; y < height; y++)
        for (int32_t x = 0; x < width; x++)
            p.gray[(size_t)y * (size_t)width + (size_t)x] =
                (float)(128 + 50 * sin(2 * M_PI * (x - dx) / period) + 50 * sin(2 * M_PI * y / period));
    photo_add_noise(&p, 2, (uint64_t)(dx * 1000) + 77);
    return p;
}

static void periodic_texture_is_called_ambiguous(void **state)
{
    (void)state;
    static const double period[] = {9, 16, 24, 40};
    for (size_t i = 0; i < sizeof period / sizeof *period; i++)
        for (int k = 0; k < 4; k++) {
            struct photo a = wallpaper(480, 320, period[i], 0),
                         b = wallpaper(480, 320, period[i], 0.3 * k * period[i]);
            const struct frame_shift got = photos_registered(space, &a, &b);
            if (getenv("SHOW"))
                printf("period %.0f shift %.1f: %.2f %.2f trust %d confidence %.2f\n", period[i],
                       0.3 * k * period[i], (double)got.dx_px, (double)got.dy_px, (int)got.trust,
                       (double)got.confidence);
            assert_int_equal(got.trust, SHIFT_AMBIGUOUS);
            photo_free(&a);
            photo_free(&b);
        }
}

static void a_picture_without_texture_is_not_trusted(void **state)
{
    (void)state;
    for (int noise = 0; noise <= 8; noise += 4) {
        struct photo a = {480, 320, calloc(480 * 320, sizeof(float))},
                     b = {480, 320, calloc(480 * 320, sizeof(float))};
        for (int32_t i = 0; i < 480 * 320; i++)
            a.gray[i] = b.gray[i] = (float)(80 + i % 480 / 10.0);
        photo_add_noise(&a, noise, 1);
        photo_add_noise(&b, noise, 2);
        const struct frame_shift got = photos_registered(space, &a, &b);
        if (getenv("SHOW"))
            printf("noise %d: trust %d confidence %.2f\n", noise, (int)got.trust, (double)got.confidence);
        if (noise) {
            assert_int_equal(got.trust, SHIFT_NONE);
            assert_near((double)got.scale, 1, 0);
            assert_near((double)got.dx_px, 0, 0);
        }
        photo_free(&a);
        photo_free(&b);
    }
    struct photo flat = {480, 320, calloc(480 * 320, sizeof(float))};
    assert_int_equal(photos_registered(space, &flat, &flat).trust, SHIFT_NONE);
    photo_free(&flat);
}

static void pictures_of_other_things_are_not_trusted(void **state)
{
    (void)state;
    struct photo a = photo_load("aloeL.jpg"), b = photo_load("leuvenA.jpg");
    struct photo before = photo_area(&a, 480, 320, 3, 3, 1.5), now = photo_area(&b, 480, 320, 3, 3, 1.5);
    const struct frame_shift got = photos_registered(space, &before, &now);
    printf("measured: two photographs of different things: confidence %.2f\n", (double)got.confidence);
    assert_int_equal(got.trust, SHIFT_NONE);
    photo_free(&a);
    photo_free(&b);
    photo_free(&before);
    photo_free(&now);
}

/* Kuglin and Hines 1975 (from memory): a cyclic shift by (3, -5) gives a peak of exactly 1 at (3, 27). */
static void phase_correlation_of_a_cyclic_shift_is_one_peak(void **state)
{
    (void)state;
    struct err why;
    struct photo a = {32, 32, calloc(1024, sizeof(float))};
    photo_add_noise(&a, 10, 42);
    float b[1024], out[1024];
    for (int y = 0; y < 32; y++)
        for (int x = 0; x < 32; x++)
            b[((y + 27) % 32) * 32 + (x + 3) % 32] = a.gray[y * 32 + x];
    assert_int_equal(register_phase_correlation(space, 32, 32, a.gray, b, out, &why), E_OK);
    for (int i = 0; i < 1024; i++)
        assert_near((double)out[i], i == 27 * 32 + 3 ? 1 : 0, 1e-5);
    assert_int_equal(register_phase_correlation(space, 1, 32, a.gray, b, out, &why), E_INPUT);
    photo_free(&a);
}

/* Made with integers only, so that it is the same picture everywhere: patches of 5 px, seen from (x0, y0). */
static struct register_view *patches(uint32_t x0, uint32_t y0, uint8_t *luma)
{
    for (uint32_t y = 0; y < 480; y++)
        for (uint32_t x = 0; x < 640; x++) {
            const uint32_t u = (x + x0) / 5, v = (y + y0) / 5;
            uint32_t h = u * 2654435761u ^ v * 2246822519u;
            h = (h ^ h >> 15) * 2246822519u;
            luma[y * 640 + x] = (uint8_t)(40 + (h >> 16) % 160);
        }
    return view_of_bytes(space, luma, 640, 480);
}

/* The loops that are built for wide registers, too, give the same bits as those that are not: these come out
 * of either build (found by running both, so only a change shows here, no error). */
static void every_build_gives_the_same_bits(void **state)
{
    (void)state;
    struct err why;
    uint8_t *luma = malloc(640 * 480);
    struct register_view *a = patches(0, 0, luma), *b = patches(3, 2, luma);
    struct frame_shift out;
    assert_int_equal(register_shift(space, a, b, &out, &why), E_OK);
    assert_near((double)out.dx_px, -3, 0.01);
    assert_near((double)out.dy_px, -2, 0.01);
    uint32_t bits[4];
    memcpy(&bits[0], &out.dx_px, 4);
    memcpy(&bits[1], &out.dy_px, 4);
    memcpy(&bits[2], &out.scale, 4);
    memcpy(&bits[3], &out.confidence, 4);
    static const uint32_t wanted[4] = {0xc03fffe4, 0xbfffffc8, 0x3f7ffffd, 0x3f7eb813};
    for (int i = 0; i < 4; i++)
        assert_int_equal(bits[i], wanted[i]);
    register_view_free(a);
    register_view_free(b);
    free(luma);
}

static void pictures_of_two_sizes_are_refused(void **state)
{
    (void)state;
    struct err why;
    struct photo a = wallpaper(480, 320, 33, 0), b = wallpaper(480, 321, 33, 0);
    struct register_view *v = view_of_photo(space, &a), *w = view_of_photo(space, &b);
    struct frame_shift out;
    assert_int_equal(register_shift(space, v, w, &out, &why), E_INPUT);
    register_view_free(v);
    register_view_free(w);
    photo_free(&a);
    photo_free(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(known_shifts_and_scales_of_photographs_are_found),
        cmocka_unit_test(blur_noise_and_light_move_the_result_little),
        cmocka_unit_test(two_ways_to_move_a_photograph_agree),
        cmocka_unit_test(periodic_texture_is_called_ambiguous),
        cmocka_unit_test(a_picture_without_texture_is_not_trusted),
        cmocka_unit_test(pictures_of_other_things_are_not_trusted),
        cmocka_unit_test(phase_correlation_of_a_cyclic_shift_is_one_peak),
        cmocka_unit_test(every_build_gives_the_same_bits),
        cmocka_unit_test(pictures_of_two_sizes_are_refused),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
