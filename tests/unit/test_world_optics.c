/* The world's frames against physics by other code: spots, contrast, motion blur, perspective, occlusion.
 * Every expected number is a published one (named beside) or computed here. */
#include "tests/support/test.h"

#include "tests/support/bench_scene.h"

#define PI      3.14159265358979323846
#define WAVE_UM 0.545 /* the simulated camera's green */

/* --- spots --- */

/* A small white square in the dark, in the middle of the frame. */
static float *dots(int32_t w, int32_t h, const int32_t (*at)[2], int count)
{
    float *light = calloc((size_t)w * (size_t)h, sizeof *light);
    assert_non_null(light);
    for (int i = 0; i < count; i++) {
        for (int32_t y = -2; y <= 2; y++) {
            for (int32_t x = -2; x <= 2; x++)
                light[(at[i][1] + y) * w + at[i][0] + x] = 1;
        }
    }
    return light;
}

/* Area above half of the plateau, as a disc's diameter. */
static double disc_diameter_px(const struct light_frame *f, int32_t cx, int32_t cy, int32_t reach)
{
    double plateau = 0, area = 0;
    for (int32_t y = cy - 2; y <= cy + 2; y++) {
        for (int32_t x = cx - 2; x <= cx + 2; x++)
            plateau += (double)f->green[y * f->width + x] / 25;
    }
    /* Pixels between 25 and 75 % count in proportion: the rim is a few pixels wide. */
    for (int32_t y = cy - reach; y <= cy + reach; y++) {
        for (int32_t x = cx - reach; x <= cx + reach; x++)
            area += fmin(fmax(2 * (double)f->green[y * f->width + x] / plateau - 0.5, 0), 1);
    }
    return 2 * sqrt(area / PI);
}

/* Blur disc of a point at D beyond focus, f, N, m, P. Similar triangles: a cone through a pupil of diameter A
 * = f / N at a distance u_p = f (1/m + 1/P) of the plane of focus. */
static double disc_by_rays_mm(const double *r, double beyond_mm)
{
    double away = r[0] * (1 / r[2] + 1 / r[3]);
    return r[2] * r[0] / r[1] * fabs(beyond_mm) / (away + beyond_mm);
}

/* Columns: f, N, m, P, D, b in mm (recomputed; image side: Smith, Modern Optical Engineering, eq. 9.8).
 * Photographed at twelve times that D: there the disc is wide beside the Airy disc, so that it has an edge to
 * measure. */
static void a_point_out_of_focus_is_a_disc_of_the_right_size(void **state)
{
    (void)state;
    static const double rows[][6] = {
        {100, 8, 1, 1, 1, 0.062189055},      {100, 8, 1, 1, -1, 0.062814070},
        {100, 5.6, 2, 1, 0.05, 0.011900795}, {100, 5.6, 2, 0.7, 0.05, 0.009256859},
        {60, 11, 0.5, 1, 3, 0.044709389},
    };
    double worst = 0;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double *r = rows[i];
        const int32_t w = 192, h = 160, at[1][2] = {{95, 79}};
        assert_near(disc_by_rays_mm(r, r[4]), r[5], 1e-8);
        double wanted = disc_by_rays_mm(r, 12 * r[4]), pixel_um = wanted * 1000 / 41;
        struct bench_scene b = bench_scene_of(r[0], r[1], r[3], r[2], w, h, pixel_um);
        float *light = dots(w, h, at, 1);
        bench_scene_picture(&b, w, h, light, NULL);
        b.scene.lamp = 30; /* the disc dilutes the light */
        bench_scene_open(&b);
        struct shot s = bench_scene_shot(&b, -llround(12 * r[4] * 1e6));
        struct light_frame f = bench_scene_frame(&b, &s);
        double diameter = disc_diameter_px(&f, at[0][0], at[0][1], 40) * pixel_um / 1000;
        worst = fmax(worst, fabs(diameter / wanted - 1));
        assert_near(diameter, wanted, 0.02 * wanted);
        light_frame_free(&f);
        free(light);
        bench_scene_close(&b);
    }
    printf("measured: blur discs of 41 px within %.1f %% of ray geometry\n", 100 * worst);
}

/* --- contrast by a slanted edge (the method of ISO 12233, simplified) --- */

#define SLOPE 0.1 /* pixels to the right, a row */

static float *slanted_edge(int32_t w, int32_t h)
{
    float *light = malloc((size_t)w * (size_t)h * sizeof *light);
    assert_non_null(light);
    for (int32_t y = 0; y < h; y++) {
        for (int32_t x = 0; x < w; x++) {
            double at = x - (w / 2.0 + SLOPE * (y - h / 2.0)), sum = 0;
            for (int i = 0; i < 32; i++) /* the pixel's own area */
                sum += fmin(fmax(at + 0.5 + SLOPE * ((i + 0.5) / 32 - 0.5), 0), 1) / 32;
            light[y * w + x] = (float)(0.15 + 0.6 * sum);
        }
    }
    return light;
}

/* Contrast at a frequency (cycles a pixel) across the edge of a frame. */
static double edge_contrast(const struct light_frame *f, double frequency)
{
    enum { FINE = 8, BINS = 60 * FINE };
    static double sum[BINS], count[BINS];
    memset(sum, 0, sizeof sum);
    memset(count, 0, sizeof count);
    double across = 1 / sqrt(1 + SLOPE * SLOPE);
    for (int32_t y = 20; y < f->height - 20; y++) {
        for (int32_t x = 0; x < f->width; x++) {
            double at = (x - (f->width / 2.0 + SLOPE * (y - f->height / 2.0))) * across;
            int bin = (int)floor(at * FINE) + BINS / 2;
            if (bin < 0 || bin >= BINS) continue;
            sum[bin] += (double)f->green[y * f->width + x];
            count[bin]++;
        }
    }
    double re = 0, im = 0, whole = 0;
    for (int i = 0; i + 1 < BINS; i++) {
        if (count[i] < 1 || count[i + 1] < 1) continue;
        double step = sum[i + 1] / count[i + 1] - sum[i] / count[i], at = (double)i / FINE;
        re += step * cos(2 * PI * frequency * at);
        im += step * sin(2 * PI * frequency * at);
        whole += step;
    }
    double bin = PI * frequency / FINE; /* taking differences of bins widens the edge by two of them */
    return hypot(re, im) / fabs(whole) / pow(sin(bin) / bin, 2);
}

static double sinc(double x)
{
    return fabs(x) < 1e-9 ? 1 : sin(PI * x) / (PI * x);
}

static struct bench_scene edge_bench(double pixel_um)
{
    const int32_t w = 192, h = 160;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, w, h, pixel_um);
    float *light = slanted_edge(w, h);
    bench_scene_picture(&b, w, h, light, NULL);
    free(light);
    bench_scene_open(&b);
    return b;
}

/* Diffraction MTF of a round pupil at nu = 0.05 .. 0.5: T(nu) = (2/pi)(acos nu - nu sqrt(1 - nu^2)) (Goodman,
 * Introduction to Fourier Optics, from memory; values recomputed). Effective f-number 2.8 x 5 = 14. The
 * pixels of the picture and of the sensor both average over their width: sinc squared. The world leaves out
 * the outermost diffraction rings, here 4 % of the light: so much contrast too high is allowed. */
static void in_focus_contrast_is_what_diffraction_and_pixels_leave(void **state)
{
    (void)state;
    static const double rows[][2] = {
        {0.1, .872889}, {0.2, .747060}, {0.3, .623838}, {0.4, .504632}, {0.5, .391002}};
    const double lambda_n = WAVE_UM * 14, pixel_um = lambda_n; /* Nyquist at nu = 0.5 */
    struct bench_scene b = edge_bench(pixel_um);
    struct shot s = bench_scene_shot(&b, 0);
    struct light_frame f = bench_scene_frame(&b, &s);
    double worst = 0;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        double per_px = rows[i][0] * pixel_um / lambda_n;
        double wanted = rows[i][1] * sinc(per_px) * sinc(per_px), found = edge_contrast(&f, per_px);
        worst = fmax(worst, fabs(found - wanted));
        assert_near(found, wanted, 0.045);
    }
    printf("measured: contrast in focus within %.3f of diffraction and pixels\n", worst);
    light_frame_free(&f);
    bench_scene_close(&b);
}

/* Defocus OTF, exact (Hopkins 1955): rows W in waves, nu, H; recomputed by numerical integration. dz = 8 N^2
 * W lambda on the sensor, so 8 N^2 W lambda / m^2 on the subject. */
static void defocused_contrast_follows_hopkins(void **state)
{
    (void)state;
    static const double rows[][3] = {
        {0.25, 0.1, 0.838860}, {0.25, 0.2, 0.658579}, {0.25, 0.3, 0.501570}, {0.25, 0.5, 0.287468},
        {0.5, 0.1, 0.742089},  {0.5, 0.2, 0.434819},  {0.5, 0.3, 0.229264},  {0.5, 0.5, 0.084609},
        {1.0, 0.1, 0.426646},  {1.0, 0.2, -0.014414}, {1.0, 0.3, -0.069515},
    };
    const double lambda_n = WAVE_UM * 14, pixel_um = lambda_n;
    struct bench_scene b = edge_bench(pixel_um);
    double worst = 0;
    for (int side = -1; side <= 1; side += 2) {
        for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
            double away_um = 8 * 14 * 14 * rows[i][0] * WAVE_UM / 16;
            struct shot s = bench_scene_shot(&b, llround(side * away_um * 1000));
            struct light_frame f = bench_scene_frame(&b, &s);
            double per_px = rows[i][1] * pixel_um / lambda_n;
            double wanted = fabs(rows[i][2]) * sinc(per_px) * sinc(per_px), found = edge_contrast(&f, per_px);
            worst = fmax(worst, fabs(found - wanted));
            assert_near(found, wanted, 0.045);
            light_frame_free(&f);
        }
    }
    printf("measured: contrast out of focus within %.3f of Hopkins\n", worst);
    bench_scene_close(&b);
}

/* Large blur: diffraction MTF times 2 J1(x) / x, x = pi b f (1 - nu), b the disc (after Hopkins; against the
 * exact integral off by at most 0.0077 from two waves on, recomputed), up to the disc's second zero. */
static void wide_blur_has_the_contrast_of_a_disc(void **state)
{
    (void)state;
    const double pixel_um = 13.333333;
    struct bench_scene b = edge_bench(pixel_um);
    double worst = 0;
    for (int i = 0; i < 6; i++) {
        static const double across_px[6] = {9, 11, 15, 19, 24, 33};
        double away_um = across_px[i] * pixel_um * 14 / 16; /* first order; the exact disc follows */
        double disc = 4 * (35000 / 2.8) * away_um / (43750 - away_um) / pixel_um;
        struct shot s = bench_scene_shot(&b, llround(away_um * 1000));
        struct light_frame f = bench_scene_frame(&b, &s);
        for (double turns = 0.2; turns < 2.2; turns += 0.2) {
            double per_px = turns / disc, nu = per_px * WAVE_UM * 14 / pixel_um,
                   x = PI * disc * per_px * (1 - nu);
            double diffraction = 2 / PI * (acos(nu) - nu * sqrt(1 - nu * nu));
            double scale =
                43750 / (43750 - away_um); /* nearer to the camera: the edge is wider, its pixels too */
            double wanted = diffraction * fabs(2 * j1(x) / x) * sinc(per_px) * sinc(per_px * scale),
                   found = edge_contrast(&f, per_px);
            worst = fmax(worst, fabs(found - wanted));
            assert_near(found, wanted, 0.05);
        }
        light_frame_free(&f);
    }
    printf("measured: contrast under wide blur within %.3f of a disc\n", worst);
    bench_scene_close(&b);
}

/* A lens that is not ideal is a little softer in focus, and its two sides of focus differ. */
static void the_ordinary_lens_is_a_little_worse_than_ideal(void **state)
{
    (void)state;
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, 192, 160, 7.63);
    float *light = slanted_edge(192, 160);
    double contrast[2][3];
    bench_scene_picture(&b, 192, 160, light, NULL);
    free(light);
    for (int ideal = 0; ideal < 2; ideal++) {
        b.ideal = ideal;
        bench_scene_open(&b);
        for (int i = 0; i < 3; i++) {
            struct shot s = bench_scene_shot(&b, (i - 1) * 30000);
            struct light_frame f = bench_scene_frame(&b, &s);
            contrast[ideal][i] = edge_contrast(&f, 0.3);
            light_frame_free(&f);
        }
        bench_scene_close(&b);
    }
    assert_true(contrast[0][1] < contrast[1][1] - 0.01);
    assert_true(contrast[0][1] > 0.8 * contrast[1][1]);
    assert_near(contrast[1][0], contrast[1][2], 0.015);
    assert_true(fabs(contrast[0][0] - contrast[0][2]) > 0.02);
}

/* --- motion blur --- */

/* Many cycles of a sine of amplitude a: |J0(2 pi a nu)|; a straight smear d: |sinc(d nu)| (Hadar, Fisher,
 * Kopeika, Opt. Eng. 31:581, 1992). Rows: px, J0 at 0.25 cycles a pixel, sinc there. */
static void a_known_shake_blurs_as_published(void **state)
{
    (void)state;
    static const double rows[][3] = {
        {.25, .961817, .993587}, {.5, .851632, .974495}, {1, .472001, .900316}, {1.5, .025495, .784213}};
    struct bench_scene b = edge_bench(13.333333);
    struct shot still = bench_scene_shot(&b, 0);
    struct light_frame f = bench_scene_frame(&b, &still);
    double at_rest = edge_contrast(&f, 0.25), worst = 0;
    light_frame_free(&f);
    double across = 1 / sqrt(1 + SLOPE * SLOPE), px_um = 13.333333 / 4;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        for (int smear = 0; smear < 2; smear++) {
            struct shot s = still;
            for (int k = 0; k < s.samples; k++) {
                double u = (k + 0.5) / s.samples;
                s.x_um[k] = px_um / across * rows[i][0] * (smear ? u - 0.5 : sin(2 * PI * 7 * u));
            }
            f = bench_scene_frame(&b, &s);
            double found = edge_contrast(&f, 0.25) / at_rest, wanted = rows[i][1 + smear];
            worst = fmax(worst, fabs(found - wanted));
            assert_near(found, wanted, 0.03);
            light_frame_free(&f);
        }
    }
    printf("measured: contrast under shake within %.3f of J0 and sinc\n", worst);
    bench_scene_close(&b);
}

/* --- perspective --- */

static double centre_of(const struct light_frame *f, int32_t x0, int32_t x1, int32_t y0, int32_t y1)
{
    double sum = 0, at = 0;
    for (int32_t y = y0; y < y1; y++) {
        for (int32_t x = x0; x < x1; x++) {
            double light = fmax((double)f->green[y * f->width + x] - 0.002, 0);
            sum += light;
            at += light * x;
        }
    }
    return at / sum;
}

static double dots_apart(struct bench_scene *b, int64_t focus_nm)
{
    struct shot s = bench_scene_shot(b, focus_nm);
    struct light_frame f = bench_scene_frame(b, &s);
    double apart =
        centre_of(&f, f.width / 2, f.width, 0, f.height) - centre_of(&f, 0, f.width / 2, 0, f.height);
    light_frame_free(&f);
    return apart;
}

/* The apparent scale of one fixed point when the rail moves its entrance pupil by s: d / (d + s), d = f (1/m
 * + 1/P); m = 1, f = 100, s = 5: 0.975610 (derived). With a breathing lens: the same change for all depths.
 */
static void the_rail_changes_the_scale_as_its_pupil_moves(void **state)
{
    (void)state;
    /* Nine pairs, each elsewhere among the 8 x 8 blocks of the JPEG. */
    enum { PAIRS = 9 };
    const int32_t w = 448, h = 272;
    int32_t at[2 * PAIRS][2];
    for (int i = 0; i < PAIRS; i++) {
        at[2 * i][0] = 28 + 3 * i;
        at[2 * i + 1][0] = 395 + 3 * i;
        at[2 * i][1] = at[2 * i + 1][1] = 20 + 29 * i;
    }
    struct bench_scene b = bench_scene_of(100, 8, 1, 1, w, h, 20);
    float *light = dots(w, h, (const int32_t(*)[2])at, 2 * PAIRS);
    bench_scene_picture(&b, w, h, light, NULL);
    b.scene.lamp = 3;
    free(light);
    bench_scene_open(&b);
    double sharp = dots_apart(&b, 0);
    assert_near(sharp, 367, 0.02);
    assert_near(dots_apart(&b, -1000000) / sharp, 200.0 / 201, 0.0001);
    b.scene.lamp = 20;
    bench_scene_close(&b);
    bench_scene_open(&b);
    assert_near(dots_apart(&b, -5000000) / sharp, 0.975610, 0.0001);
    bench_scene_close(&b);
    b.scene.breathing = 0.05;
    b.scene.lamp = 3;
    bench_scene_open(&b);
    assert_near(dots_apart(&b, 1000000) / sharp, 1.05, 0.0001);
    bench_scene_close(&b);
}

/* --- occlusion --- */

/* A bar of 12 px lies before stripes; focused on the stripes, the bar is a disc of b px wide everywhere, and
 * in the middle of it the stripes keep the share of the rays that pass beside: 1 - (area of a strip of 12 in
 * the disc) / (area of the disc), by geometry. */
static void stripes_are_seen_through_a_blurred_hair(void **state)
{
    (void)state;
    const int32_t w = 256, h = 192, half = 6;
    float *light = malloc((size_t)w * (size_t)h * sizeof *light);
    uint8_t *map = malloc((size_t)w * (size_t)h);
    assert_non_null(light);
    assert_non_null(map);
    for (int32_t y = 0; y < h; y++) {
        for (int32_t x = 0; x < w; x++) {
            bool bar = x >= w / 2 - half && x < w / 2 + half;
            light[y * w + x] = bar ? 0.6f : (float)(0.3 + 0.2 * sin(2 * PI * y / 16));
            map[y * w + x] = bar ? 200 : 100;
        }
    }
    struct bench_scene b = bench_scene_of(35, 2.8, 1, 4, w, h, 13.333333);
    bench_scene_picture(&b, w, h, light, map);
    b.scene.depth_nm = 466667; /* the bar's disc: 41 px */
    bench_scene_open(&b);
    struct shot s = bench_scene_shot(&b, 466667);
    struct light_frame f = bench_scene_frame(&b, &s);
    double disc = 4 * (35000 / 2.8) * 466.667 / (43750 - 466.667) / 13.333333, r = disc / 2;
    double width = 2 * half * 43750 / (43750 - 466.667), u = width / 2 / r;
    double covered = 2 * (u * sqrt(1 - u * u) + asin(u)) / PI;
    double re[2] = {0}, im[2] = {0}, mean[2] = {0};
    for (int place = 0; place < 2; place++) {
        int32_t x0 = place ? w / 2 - 1 : 20;
        for (int32_t y = 32; y < 160; y++) {
            double v = ((double)f.green[y * w + x0] + (double)f.green[y * w + x0 + 1]) / 2;
            mean[place] += v / 128;
            re[place] += v * cos(2 * PI * y / 16) / 64;
            im[place] += v * sin(2 * PI * y / 16) / 64;
        }
    }
    double kept = hypot(re[1], im[1]) / hypot(re[0], im[0]);
    printf("measured: behind a blurred hair %.3f of the contrast, by geometry %.3f\n", kept, 1 - covered);
    assert_near(kept, 1 - covered, 0.03);
    assert_near(mean[1], 0.3 * (1 - covered) + 0.6 * covered, 0.01);
    light_frame_free(&f);
    bench_scene_close(&b);
    free(light);
    free(map);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_point_out_of_focus_is_a_disc_of_the_right_size),
        cmocka_unit_test(in_focus_contrast_is_what_diffraction_and_pixels_leave),
        cmocka_unit_test(defocused_contrast_follows_hopkins),
        cmocka_unit_test(wide_blur_has_the_contrast_of_a_disc),
        cmocka_unit_test(the_ordinary_lens_is_a_little_worse_than_ideal),
        cmocka_unit_test(a_known_shake_blurs_as_published),
        cmocka_unit_test(the_rail_changes_the_scale_as_its_pupil_moves),
        cmocka_unit_test(stripes_are_seen_through_a_blurred_hair),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
