/* Each kind of finding on stacks made by a formula (tests/support/made.h): found when it is there, at the
 * right frame, and not found when it is not. What is right follows from how the stack was made. */
#include "tests/support/made.h"
#include "tests/support/test.h"

enum { FRAMES = 30 };

static struct made_opts ramp(uint64_t seed)
{
    return (struct made_opts){
        .frames = FRAMES, .near_at = 3.5, .far_at = 25.5, .noise = 2, .scale_step = 0.001, .seed = seed};
}

static void shoot_and_check(const struct made_opts *o, struct verdict *v)
{
    struct made m;
    made_new(o, &m);
    made_check(&m, NULL, v);
    made_clear(&m);
}

static const struct finding *find(const struct verdict *v, const char *code)
{
    for (int32_t i = 0; i < v->findings.count; i++)
        if (strcmp(v->findings.rows[i].code, code) == 0) return &v->findings.rows[i];
    return NULL;
}

static int32_t blames(const struct verdict *v)
{
    return v->gap_count + v->blurred.count + v->shifted.count + v->swapped.count + v->repeated.count +
           v->light.jump_count + (find(v, "too-short-near") != NULL) + (find(v, "too-short-far") != NULL) +
           (find(v, "moved") != NULL && !v->shifted.count);
}

static void a_clean_stack_is_not_blamed(void **state)
{
    (void)state;
    int32_t stacks = 0, blamed = 0;
    for (uint64_t seed = 1; seed <= 20; seed++) {
        struct made_opts o = ramp(seed);
        struct verdict v = {0};
        o.noise = (double)(seed % 4) * 2;
        shoot_and_check(&o, &v);
        stacks++;
        blamed += blames(&v) > 0;
        verdict_clear(&v);
    }
    printf("measured: clean made stacks blamed: %d of %d\n", blamed, stacks);
    assert_int_equal(blamed, 0);
}

static void useful_frames_span_the_subject(void **state)
{
    (void)state;
    struct made_opts o = ramp(1);
    struct verdict v = {0};
    shoot_and_check(&o, &v);
    assert_in_range(v.useful_first, 3, 4);
    assert_in_range(v.useful_last, 25, 26);
    assert_near(v.covered_fraction, 1, 0.001);
    assert_non_null(find(&v, "unneeded"));
    assert_int_equal(v.weakest_count, 3);
    verdict_clear(&v);
}

static void a_far_end_cut_off_is_told_with_its_share(void **state)
{
    (void)state;
    struct made_opts o = ramp(2);
    struct verdict v = {0};
    o.scale_step = 0;
    o.far_at = 35.5; /* at 4 px a spacing, within 0.77 spacings the energy at half size is above a half */
    shoot_and_check(&o, &v);
    const double truth = (35.5 - 29 - 0.77) / 32;
    printf("measured: made stack too short: share told %.3f, true %.3f\n", v.unsharp_after_fraction, truth);
    assert_near(v.unsharp_after_fraction, truth, 0.03);
    assert_near(v.unsharp_before_fraction, 0, 0.001);
    assert_non_null(find(&v, "too-short-far"));
    assert_int_equal(v.useful_last, FRAMES - 1);
    verdict_clear(&v);
}

static void the_end_has_the_name_of_its_order(void **state)
{
    (void)state;
    static const struct {
        enum stack_order order;
        const char *code;
    } rows[] = {{ORDER_NEAR_FIRST, "too-short-far"},
                {ORDER_FAR_FIRST, "too-short-near"},
                {ORDER_UNKNOWN, "too-short-last"}};
    struct made_opts o = ramp(2);
    struct made m;
    o.far_at = 35;
    made_new(&o, &m);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct verdict v = {0};
        made_check(&m, &(struct check_input){.order = rows[i].order}, &v);
        assert_non_null(find(&v, rows[i].code));
        verdict_clear(&v);
    }
    made_clear(&m);
}

static void a_near_end_cut_off_is_told(void **state)
{
    (void)state;
    struct made_opts o = ramp(3);
    struct verdict v = {0};
    o.near_at = -6;
    shoot_and_check(&o, &v);
    assert_true(v.unsharp_before_fraction > 0.1);
    assert_near(v.unsharp_after_fraction, 0, 0.001);
    assert_int_equal(v.useful_first, 0);
    verdict_clear(&v);
}

/* Frames after `after` stand `missing` spacings further on. */
static void hole(double *at, int32_t after, int32_t missing)
{
    for (int32_t i = 0; i < FRAMES; i++)
        at[i] = i + (i > after ? missing : 0);
}

static void missing_frames_leave_a_gap_at_their_place(void **state)
{
    (void)state;
    for (int32_t missing = 1; missing <= 4; missing++) {
        struct made_opts o = ramp(4 + (uint64_t)missing);
        struct verdict v = {0};
        double at[FRAMES];
        hole(at, 12, missing);
        o.at = at;
        o.far_at = 27;
        shoot_and_check(&o, &v);
        assert_int_equal(v.gap_count, 1);
        assert_int_equal(v.gaps[0].after, 12);
        assert_in_range(v.gaps[0].missing, missing > 2 ? missing - 1 : missing, missing + 1);
        if (missing > 1) assert_true(v.gaps[0].tiles > 0);
        assert_int_equal(blames(&v), 1);
        verdict_clear(&v);
    }
}

/* Of a ramp that comes into focus evenly each depth is sharpest in its own frame, and over a hole of three
 * frames the ridge has depths that no frame shows in full. */
static void each_depth_is_sharpest_in_its_own_frame(void **state)
{
    (void)state;
    struct made_opts o = ramp(4);
    double at[FRAMES];
    struct verdict v = {0};
    shoot_and_check(&o, &v);
    const struct ridge *r = &v.ridge;
    assert_int_equal(r->depths, FRAMES);
    for (int32_t depth = 5; depth <= 24; depth++) {
        const float *row = r->sharpness + depth * FRAMES;
        int32_t best = 0;
        for (int32_t i = 0; i < FRAMES; i++)
            if (row[i] > row[best]) best = i;
        assert_true(r->tiles[depth] > 0);
        assert_int_equal(best, depth);
        assert_true(row[best] > 0.85f);
        assert_true(row[depth - 4] < 0.4f && row[depth + 4] < 0.4f);
    }
    assert_int_equal(r->tiles[0] + r->tiles[FRAMES - 1], 0); /* the ramp is from 3.5 to 25.5 */
    verdict_clear(&v);
    o.far_at = 30;
    hole(at, 12, 3);
    o.at = at;
    shoot_and_check(&o, &v);
    assert_int_equal(v.gap_count, 1);
    assert_near(v.ridge.place[13] - v.ridge.place[12], 1 + v.gaps[0].missing, 1e-9);
    double in_hole = 0, before = 0;
    for (int32_t i = 0; i < FRAMES; i++) {
        in_hole = fmax(in_hole, (double)v.ridge.sharpness[14 * FRAMES + i]);
        before = fmax(before, (double)v.ridge.sharpness[8 * FRAMES + i]);
    }
    printf("measured: sharpness on the ridge %.2f, in a hole of three %.2f\n", before, in_hole);
    assert_true(in_hole < 0.9 * before);
    verdict_clear(&v);
}

static void a_wider_spacing_all_along_is_no_gap(void **state)
{
    (void)state;
    struct made_opts o = ramp(9);
    struct verdict v = {0};
    double at[FRAMES];
    for (int32_t i = 0; i < FRAMES; i++)
        at[i] = 2 * i;
    o.at = at;
    o.blur_px = 2; /* a dense stack, every second frame */
    o.far_at = 54;
    shoot_and_check(&o, &v);
    assert_int_equal(blames(&v), 0);
    verdict_clear(&v);
}

static void exchanged_frames_are_named(void **state)
{
    (void)state;
    struct made_opts o = ramp(10);
    struct verdict v = {0};
    double at[FRAMES];
    hole(at, FRAMES, 0);
    at[10] = 11;
    at[11] = 10;
    o.at = at;
    shoot_and_check(&o, &v);
    assert_int_equal(v.swapped.count, 1);
    assert_int_equal(v.swapped.rows[0], 10);
    assert_int_equal(blames(&v), 1);
    verdict_clear(&v);
}

static void a_frame_taken_twice_is_named(void **state)
{
    (void)state;
    struct made_opts o = ramp(11);
    struct verdict v = {0};
    double at[FRAMES];
    hole(at, 9, -1);
    o.at = at;
    shoot_and_check(&o, &v);
    assert_int_equal(v.repeated.count, 1);
    assert_int_equal(v.repeated.rows[0], 10);
    assert_int_equal(blames(&v), 1);
    verdict_clear(&v);
}

static void a_shaken_frame_is_named(void **state)
{
    (void)state;
    struct made_opts o = ramp(12);
    struct verdict v = {0};
    double shake[FRAMES] = {0};
    shake[14] = 1.5;
    o.shake_px = shake;
    shoot_and_check(&o, &v);
    assert_int_equal(v.blurred.count, 1);
    assert_int_equal(v.blurred.rows[0], 14);
    assert_int_equal(blames(&v), 1);
    verdict_clear(&v);
}

static void a_stack_soft_all_along_has_no_shaken_frame(void **state)
{
    (void)state;
    struct made_opts o = ramp(13);
    struct verdict v = {0};
    double shake[FRAMES];
    for (int32_t i = 0; i < FRAMES; i++)
        shake[i] = 1.5;
    o.shake_px = shake;
    shoot_and_check(&o, &v);
    assert_int_equal(v.blurred.count, 0);
    verdict_clear(&v);
}

static void a_shift_of_one_frame_and_one_that_stays_are_each_one(void **state)
{
    (void)state;
    for (int stays = 0; stays < 2; stays++) {
        struct made_opts o = ramp(14);
        struct verdict v = {0};
        double shift[FRAMES] = {0};
        for (int32_t i = 14; i < (stays ? FRAMES : 15); i++)
            shift[i] = 0.8;
        o.shift_px = shift;
        shoot_and_check(&o, &v);
        assert_int_equal(v.shifted.count, 1);
        assert_int_equal(v.shifted.rows[0], 14);
        assert_int_equal(blames(&v), 1);
        verdict_clear(&v);
    }
}

static void a_drift_or_a_small_shift_is_none(void **state)
{
    (void)state;
    struct made_opts o = ramp(15);
    struct verdict v = {0};
    double shift[FRAMES];
    for (int32_t i = 0; i < FRAMES; i++)
        shift[i] = 0.7 * i + (i == 20 ? 0.3 : 0);
    o.shift_px = shift;
    shoot_and_check(&o, &v);
    assert_int_equal(blames(&v), 0);
    verdict_clear(&v);
}

/* A jump that stays makes two groups; one that comes back, after one frame or three, makes none. */
static void a_bump_parts_the_stack_and_a_shifted_frame_does_not(void **state)
{
    (void)state;
    static const struct {
        int32_t from, to; /* frames that lie aside */
        int32_t groups;
    } rows[] = {{12, FRAMES, 2}, {12, 13, 1}, {12, 15, 1}, {12, 20, 3}};
    for (size_t k = 0; k < sizeof rows / sizeof *rows; k++) {
        struct made_opts o = ramp(30 + k);
        struct verdict v = {0};
        double shift[FRAMES] = {0};
        for (int32_t i = rows[k].from; i < rows[k].to; i++)
            shift[i] = -4;
        o.shift_px = shift;
        shoot_and_check(&o, &v);
        assert_int_equal(v.group_count, rows[k].groups);
        assert_int_equal(v.groups[0].first, 0);
        assert_int_equal(v.groups[v.group_count - 1].last, FRAMES - 1);
        assert_int_equal(find(&v, "moved") != NULL, rows[k].groups > 1);
        assert_int_equal(find(&v, "shifted") != NULL, rows[k].groups == 1);
        if (rows[k].groups > 1) {
            assert_int_equal(v.groups[0].last, 11);
            assert_int_equal(v.groups[1].first, 12);
            assert_near(v.groups[1].jump_x_px, -4, 0.2);
            assert_non_null(strstr(find(&v, "moved")->text, "moved by 4.0 px at slice 13"));
            assert_non_null(strstr(find(&v, "moved")->text, "1-12 are one group"));
        }
        verdict_clear(&v);
    }
}

/* Frames stand 50 um apart and begin at 1 mm: the ramp's ends are sharp at 1 mm + 50 um x (3.5 and 25.5). */
static void depth_is_told_in_um_where_places_are_known(void **state)
{
    (void)state;
    struct made_opts o = ramp(50);
    struct made m;
    struct verdict v = {0};
    int64_t place_nm[FRAMES];
    for (int32_t i = 0; i < FRAMES; i++)
        place_nm[i] = 1000000 + 50000 * i;
    made_new(&o, &m);
    made_check(&m, &(struct check_input){.place_nm = place_nm}, &v);
    assert_true(v.depth.known);
    assert_near(v.depth.nearest_um, 1175, 50);
    assert_near(v.depth.deepest_um, 2275, 50);
    const struct tile_verdict *t = &v.tiles[v.cols / 2];
    assert_near((double)t->peak_um[0], 1000 + 50 * (double)t->peak[0], 0.1);
    verdict_clear(&v);
    made_check(&m, NULL, &v);
    assert_false(v.depth.known);
    assert_true(isnan((double)v.tiles[v.cols / 2].peak_um[0]));
    verdict_clear(&v);
    made_clear(&m);
}

/* Of frames that grow by a share g each, the last useful one shows 1 / (1 + g)^22 of the first one's width;
 * half of the rest lies at either side. A drift to the right takes the right side of the first frame out
 * of the later ones. */
static void the_border_is_what_some_frame_does_not_see(void **state)
{
    (void)state;
    static const struct {
        double scale_step, drift_px;
        bool said;
    } rows[] = {{0.001, 0, false}, {0, 0, false}, {0, 2, false}, {0, -4, true}, {0.006, 0, true}};
    for (size_t k = 0; k < sizeof rows / sizeof *rows; k++) {
        struct made_opts o = ramp(60 + k);
        struct verdict v = {0};
        double shift[FRAMES];
        for (int32_t i = 0; i < FRAMES; i++)
            shift[i] = rows[k].drift_px * i;
        o.scale_step = rows[k].scale_step;
        o.shift_px = shift;
        shoot_and_check(&o, &v);
        const int32_t n = v.useful_last - v.useful_first;
        const double side = (1 - pow(1 + rows[k].scale_step, -n)) / 2, way = rows[k].drift_px * n;
        assert_true(v.border.known);
        assert_near(v.border.left_px, 641 * side + fmax(-way, 0), 3);
        assert_near(v.border.right_px, 641 * side + fmax(way, 0), 3);
        assert_near(v.border.top_px, 555 * side, 3);
        assert_int_equal(find(&v, "border") != NULL, rows[k].said);
        verdict_clear(&v);
    }
}

static void jump_slope_and_scatter_of_light_are_told_apart(void **state)
{
    (void)state;
    struct verdict v = {0};
    double light[FRAMES];
    struct made_opts o = ramp(16);
    o.light_stops = light;
    for (int32_t i = 0; i < FRAMES; i++)
        light[i] = i >= 15 ? 0.3 : 0;
    shoot_and_check(&o, &v);
    assert_int_equal(v.light.jump_count, 1);
    assert_int_equal(v.light.jumps[0], 15);
    assert_near(v.light.slope_stops, 0, 0.05);
    assert_near(v.light.scatter_stops, 0, 0.02);
    assert_int_equal(blames(&v), 1);
    verdict_clear(&v);

    for (int32_t i = 0; i < FRAMES; i++)
        light[i] = -0.5 * i / (FRAMES - 1);
    shoot_and_check(&o, &v);
    assert_near(v.light.slope_stops, -0.5, 0.05);
    assert_non_null(find(&v, "light-slope"));
    assert_int_equal(blames(&v), 0);
    verdict_clear(&v);

    uint32_t draw = 1; /* uniform within 0.15 stops: sigma 0.15 / sqrt(3) */
    for (int32_t i = 0; i < FRAMES; i++) {
        draw = draw * 1664525u + 1013904223u;
        light[i] = 0.3 * draw / 4294967296.0 - 0.15;
    }
    shoot_and_check(&o, &v);
    printf("measured: scatter of light told %.3f stops, true %.3f\n", v.light.scatter_stops, 0.15 / sqrt(3));
    assert_near(v.light.scatter_stops, 0.15 / sqrt(3), 0.03);
    assert_non_null(find(&v, "light-scatter"));
    assert_int_equal(blames(&v), 0);
    verdict_clear(&v);
}

static void a_dark_frame_is_no_jump(void **state)
{
    (void)state;
    struct verdict v = {0};
    double light[FRAMES] = {0};
    struct made_opts o = ramp(17);
    o.light_stops = light;
    light[8] = -1;
    shoot_and_check(&o, &v);
    assert_int_equal(v.light.jump_count, 0);
    assert_non_null(find(&v, "light-odd"));
    assert_int_equal(find(&v, "light-odd")->frames[0], 8);
    verdict_clear(&v);
}

static double hair_at_two(double x, double y)
{
    (void)x;
    return fabs(y - 0.5) < 0.02 ? 2 : NAN;
}

static void a_hair_in_front_of_texture_keeps_its_own_frame(void **state)
{
    (void)state;
    struct made_opts o = ramp(18);
    struct verdict v = {0};
    o.near_at = 12;
    o.hair = hair_at_two;
    shoot_and_check(&o, &v);
    int32_t two = 0;
    for (int32_t k = 0; k < v.rows * v.cols; k++) {
        bool hair = false;
        for (int32_t p = 0; p < v.tiles[k].peak_count; p++)
            hair = hair || fabs((double)v.tiles[k].peak[p] - 2) <= 1;
        two += hair && v.tiles[k].peak_count >= 2;
    }
    assert_true(two >= v.cols / 2);
    assert_true(v.useful_first <= 2);
    verdict_clear(&v);
    o.hair = NULL; /* and without the hair nothing near it is useful */
    shoot_and_check(&o, &v);
    assert_true(v.useful_first >= 10);
    verdict_clear(&v);
}

static double half_textured(double x, double y)
{
    (void)y;
    return x < 0.5 ? NAN : 10;
}

static void no_texture_is_kept_apart_from_covered(void **state)
{
    (void)state;
    struct made_opts o = ramp(19);
    struct verdict v = {0};
    o.depth = half_textured;
    o.scale_step = 0;
    shoot_and_check(&o, &v);
    assert_near(v.textured_fraction, 0.5, 0.03);
    assert_near(v.covered_fraction, 1, 0.001);
    assert_int_equal(v.tiles[v.cols / 4].state, TILE_NO_TEXTURE);
    assert_int_equal(v.tiles[v.cols * 3 / 4].state, TILE_COVERED);
    assert_non_null(find(&v, "no-texture"));
    verdict_clear(&v);
}

static double no_depth(double x, double y)
{
    (void)x;
    (void)y;
    return NAN;
}

static void noise_alone_is_nothing_sharp(void **state)
{
    (void)state;
    for (uint64_t seed = 20; seed < 25; seed++) {
        struct made_opts o = ramp(seed);
        struct verdict v = {0};
        o.depth = no_depth;
        shoot_and_check(&o, &v);
        assert_int_equal(v.useful_first, -1);
        assert_non_null(find(&v, "nothing-sharp"));
        assert_int_equal(blames(&v), 0);
        verdict_clear(&v);
    }
}

/* The ramp's near half lies left: looking only there, the far end is no matter. */
static void a_region_limits_everything(void **state)
{
    (void)state;
    struct made_opts o = ramp(26);
    struct made m;
    struct verdict v = {0};
    o.far_at = 40;
    made_new(&o, &m);
    made_check(&m, &(struct check_input){.region = {0, 0, 300, 555}}, &v);
    assert_near(v.unsharp_after_fraction, 0, 0.001);
    assert_int_equal(blames(&v), 0);
    assert_true(v.useful_last < 24);
    assert_int_equal(v.tiles[v.cols - 1].state, TILE_OUTSIDE);
    for (int32_t k = 0; k < v.weakest_count; k++)
        assert_true(v.weakest[k].x_px < 300);
    verdict_clear(&v);
    struct err why = {0};
    const struct check_input out = {.frames = m.frames, .measures = m.list, .region = {600, 0, 300, 555}};
    assert_int_equal(check_stack(&out, &v, &why), E_INPUT);
    assert_non_null(strstr(why.text, "600,0,300,555"));
    made_clear(&m);
}

static void odd_input_is_refused_or_survived(void **state)
{
    (void)state;
    struct err why = {0};
    struct verdict v = {0};
    assert_int_equal(check_stack(&(struct check_input){0}, &v, &why), E_INPUT);
    for (int32_t frames = 1; frames <= 5; frames++) {
        struct made_opts o = ramp(27);
        o.frames = frames;
        shoot_and_check(&o, &v);
        assert_int_equal(v.frames, frames);
        verdict_clear(&v);
        verdict_clear(&v);
    }
    struct made_opts o = ramp(28);
    struct made m;
    made_new(&o, &m);
    m.measures[7].width_px++;
    const struct check_input in = {.frames = m.frames, .measures = m.list};
    assert_int_equal(check_stack(&in, &v, &why), E_INPUT);
    assert_non_null(strstr(why.text, "frame 8"));
    made_clear(&m);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_clean_stack_is_not_blamed),
        cmocka_unit_test(useful_frames_span_the_subject),
        cmocka_unit_test(a_far_end_cut_off_is_told_with_its_share),
        cmocka_unit_test(the_end_has_the_name_of_its_order),
        cmocka_unit_test(a_near_end_cut_off_is_told),
        cmocka_unit_test(missing_frames_leave_a_gap_at_their_place),
        cmocka_unit_test(each_depth_is_sharpest_in_its_own_frame),
        cmocka_unit_test(a_wider_spacing_all_along_is_no_gap),
        cmocka_unit_test(exchanged_frames_are_named),
        cmocka_unit_test(a_frame_taken_twice_is_named),
        cmocka_unit_test(a_shaken_frame_is_named),
        cmocka_unit_test(a_stack_soft_all_along_has_no_shaken_frame),
        cmocka_unit_test(a_shift_of_one_frame_and_one_that_stays_are_each_one),
        cmocka_unit_test(a_drift_or_a_small_shift_is_none),
        cmocka_unit_test(a_bump_parts_the_stack_and_a_shifted_frame_does_not),
        cmocka_unit_test(depth_is_told_in_um_where_places_are_known),
        cmocka_unit_test(the_border_is_what_some_frame_does_not_see),
        cmocka_unit_test(jump_slope_and_scatter_of_light_are_told_apart),
        cmocka_unit_test(a_dark_frame_is_no_jump),
        cmocka_unit_test(a_hair_in_front_of_texture_keeps_its_own_frame),
        cmocka_unit_test(no_texture_is_kept_apart_from_covered),
        cmocka_unit_test(noise_alone_is_nothing_sharp),
        cmocka_unit_test(a_region_limits_everything),
        cmocka_unit_test(odd_input_is_refused_or_survived),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
