/* Shift and scale between neighbouring frames of a stack that the simulated world renders from a photograph
 * with measured depth (aloeL.jpg, aloeGT.png of opencv-doc; Middlebury 2006): blur, occlusion, aberration,
 * noise, JPEG. Truth: nothing shakes, so the shift is zero; the scale is that of perspective, D / (D -
 * spacing) for a point D from the entrance pupil, D = f (1/m + 1/P) (Ray, Applied Photographic Optics, from
 * memory). */
#include "tests/support/test.h"

#include "base/mem.h"
#include "image/measure.h"
#include "image/measure_io.h"
#include "sim/world.h"

#define WIDTH        641 /* of the photograph; the clock movement is CLOCK_WIDTH x CLOCK_HEIGHT */
#define HEIGHT       555
#define CLOCK_WIDTH  1800
#define CLOCK_HEIGHT 1200
#define CLOCK_FRAMES 36
#define CLOCK_DEEP   28 /* from this frame on more than the hair is in focus */
#define FRAMES       24
#define PUSHED       12  /* this frame is shifted */
#define PUSH_UM      5.6 /* 0.6 px of 9.36 um on the object */

struct stack {
    struct bench bench;
    struct scene_spec scene;
    struct world *world;
    struct measure_space *space;
    struct register_view *before;
    double spacing_um;
    bool clock; /* the world's own scene: a hair in front of a clock movement */
};

static void open_stack(struct stack *s, double spacing_um, bool clock)
{
    struct err why = {0};
    *s = (struct stack){.spacing_um = spacing_um, .clock = clock};
    s->bench.camera = (struct camera_spec){.kind = "simulated",
                                           .width_px = clock ? CLOCK_WIDTH : WIDTH,
                                           .height_px = clock ? CLOCK_HEIGHT : HEIGHT,
                                           .sensor_width_nm = 24000000,
                                           .shutter_lag_us = 50000};
    s->bench.axis = (struct axis_spec){
        .kind = "rail", .link = "simulated", .lead_nm = 2000000, .steps_per_rev = 200, .microsteps = 16};
    s->bench.lens = (struct lens_spec){
        .focal_length_nm = 35000000, .f_number = 2.8, .pupil_ratio = 1, .teleconverter = 1};
    if (!clock) {
        strcpy(s->scene.picture, "/usr/share/doc/opencv-doc/examples/data/aloeL.jpg");
        strcpy(s->scene.depth_map, "/usr/share/doc/opencv-doc/examples/data/aloeGT.png");
        s->scene.depth_nm = 3400000;
    }
    const struct world_opts opts = {.bench = &s->bench,
                                    .scene = &s->scene,
                                    .magnification = 4,
                                    .exposure_us = 250000,
                                    .seed = 3,
                                    .quiet = true};
    s->world = world_new(&opts, &why);
    if (!s->world) print_error("%s\n", why.text);
    assert_non_null(s->world);
    s->space = measure_space_new(&why);
    assert_non_null(s->space);
}

static void close_stack(struct stack *s)
{
    register_view_free(s->before);
    measure_space_free(s->space);
    world_free(s->world);
}

static struct frame_shift next_frame(struct stack *s, int i, double push_um)
{
    struct err why = {0};
    struct shot shot = {0};
    const int64_t at_us = 1000000 * (int64_t)(i + 1);
    world_place(s->world, llround(i * s->spacing_um * 1000));
    world_expose(s->world, at_us, at_us + 250000, false, &shot);
    shot.noise_seed = (uint64_t)i * 7 + 1;
    for (int k = 0; k < shot.samples; k++)
        shot.x_um[k] += push_um;
    uint8_t *jpeg;
    size_t count;
    assert_int_equal(world_render(s->world, &shot, 2, &jpeg, &count, &why), E_OK);
    struct frame_measure m;
    struct register_view *now;
    assert_int_equal(measure_frame(s->space, "frame", jpeg, count, s->before, &m, &now, NULL, &why), E_OK);
    mem_free(jpeg);
    register_view_free(s->before);
    s->before = now;
    const struct frame_shift shift = m.shift;
    frame_measure_clear(&m);
    return shift;
}

/* Root mean squares over a stack, in pixels; and the steps into and out of the pushed frame. */
struct result {
    double centre, corner, into, out_of;
    int good;
};

static struct result run_stack(double spacing_um)
{
    struct stack s;
    struct result r = {0};
    const double pupil_um = 35000 * (1 / 4.0 + 1 / 1.0) + 1700; /* of a point in the middle of the depth */
    open_stack(&s, spacing_um, false);
    int n = 0;
    for (int i = 0; i < FRAMES; i++) {
        const struct frame_shift got = next_frame(&s, i, i == PUSHED ? PUSH_UM : 0);
        const double want = pupil_um / (pupil_um - spacing_um);
        if (i == PUSHED) r.into = (double)got.dx_px;
        if (i == PUSHED + 1) r.out_of = (double)got.dx_px;
        if (i == 0 || i == PUSHED || i == PUSHED + 1) continue;
        const double grown = ((double)got.scale - want) * hypot(WIDTH, HEIGHT) / 2;
        r.centre += (double)got.dx_px * (double)got.dx_px + (double)got.dy_px * (double)got.dy_px;
        r.corner += grown * grown;
        r.good += got.trust == SHIFT_GOOD;
        n++;
    }
    close_stack(&s);
    r.centre = sqrt(r.centre / n);
    r.corner = sqrt(r.corner / n);
    printf(
        "measured: registration of neighbouring frames %.1f um apart: off by %.3f px (rms) in the centre, "
        "by %.3f px in "
        "the corners for the scale; %d of %d are trusted; a frame pushed by 0.6 px shows %.2f and %.2f px\n",
        spacing_um, r.centre, r.corner, r.good, n, r.into, r.out_of);
    assert_in_range(r.good, n / 2, n); /* the nearest and farthest show little in focus */
    return r;
}

static void neighbours_half_a_depth_of_field_apart(void **state)
{
    (void)state;
    const struct result r = run_stack(45.9);
    assert_near(r.centre, 0, 0.05);
    assert_near(r.corner, 0, 0.08);
    assert_near(fabs(r.into), 0.6, 0.2);
    assert_near(r.into + r.out_of, 0, 0.2);
}

static void neighbours_a_quarter_of_it_apart(void **state)
{
    (void)state;
    const struct result r = run_stack(20);
    assert_near(r.centre, 0, 0.05);
    assert_near(r.corner, 0, 0.06);
    assert_near(fabs(r.into), 0.6, 0.15);
    assert_near(r.into + r.out_of, 0, 0.15);
}

/* Where next to nothing but a hair is in focus the scale cannot be told: it is off, and is not trusted. Once
 * there is more, it is both. Truth: as above, for a point where the plane of focus is. */
static void a_scale_that_one_hair_tells_is_not_trusted(void **state)
{
    (void)state;
    struct stack s;
    open_stack(&s, 45.9, true);
    const double pupil_um = 35000 * (1 / 4.0 + 1 / 1.0), want = pupil_um / (pupil_um - 45.9);
    double off[2] = {0}, centre = 0; /* of those that are not trusted, and that are */
    int count[2] = {0}, deep = 0;
    for (int i = 0; i < CLOCK_FRAMES; i++) {
        if (i > 12 && i < CLOCK_DEEP) continue;
        const struct frame_shift got = next_frame(&s, i, 0);
        if (i == 0 || i == CLOCK_DEEP) continue; /* no frame before it */
        const bool good = got.trust == SHIFT_GOOD;
        const double grown = ((double)got.scale - want) * hypot(CLOCK_WIDTH, CLOCK_HEIGHT) / 2;
        off[good] += grown * grown;
        count[good]++;
        deep += good && i > CLOCK_DEEP;
        if (good) centre = fmax(centre, hypot((double)got.dx_px, (double)got.dy_px));
    }
    close_stack(&s);
    printf("measured: of a hair in front of a clock movement: scale off by %.2f px in the corners (rms) in "
           "the %d frames "
           "that are not trusted, by %.2f px in the %d that are, whose shift is off by %.2f px at most\n",
           sqrt(off[0] / fmax(count[0], 1)), count[0], sqrt(off[1] / fmax(count[1], 1)), count[1], centre);
    assert_int_equal(deep, CLOCK_FRAMES - 1 - CLOCK_DEEP);
    assert_true(count[0] > 6);
    assert_near(sqrt(off[1] / count[1]), 0, 0.3);
    assert_near(centre, 0, 0.25);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(neighbours_half_a_depth_of_field_apart),
        cmocka_unit_test(neighbours_a_quarter_of_it_apart),
        cmocka_unit_test(a_scale_that_one_hair_tells_is_not_trusted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
