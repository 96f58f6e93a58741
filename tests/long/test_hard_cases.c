/* What is hard to judge, on frames of the simulated world: each case right, wrong and borderline, with what
 * check says of it in a table. What is right follows from how the frames were made. Data set: aloeL.jpg and
 * aloeGT.png of the package opencv-doc, from Middlebury 2006 (Scharstein and Pal 2007). */
#include <string.h>

#include "base/mem.h"
#include "tests/support/made_scene.h"
#include "tests/support/test.h"

enum { SLICES = 28, SPARE = 4, N = SLICES + 2 * SPARE, AT = 18, LAMP = 30 };

static struct shoot_scene aloe(void)
{
    return (struct shoot_scene){.picture = "/usr/share/doc/opencv-doc/examples/data/aloeL.jpg",
                                .depth_map = "/usr/share/doc/opencv-doc/examples/data/aloeGT.png",
                                .width_px = 400,
                                .height_px = 346};
}

static void open_scene(struct shoot *s, const struct shoot_scene *scene, struct shoot_frame *f)
{
    shoot_open(&(struct shoot_opts){.scene = scene, .noise = 1, .seed = 5, .slices = SLICES}, s);
    shoot_places(s, -SPARE * s->spacing_nm, s->spacing_nm, N, f);
}

static const struct finding *find(const struct verdict *v, const char *code)
{
    for (int32_t i = 0; i < v->findings.count; i++)
        if (strcmp(v->findings.rows[i].code, code) == 0) return &v->findings.rows[i];
    return NULL;
}

static bool names(const struct verdict *v, const char *code, int32_t frame)
{
    const struct finding *f = find(v, code);
    for (int32_t i = 0; f && i < f->frame_count; i++)
        if (f->frames[i] == frame) return true;
    return false;
}

/* Findings that say something against the stack. */
static int32_t blames(const struct verdict *v)
{
    int32_t n = 0;
    for (int32_t i = 0; i < v->findings.count; i++) {
        const char *code = v->findings.rows[i].code;
        n += strcmp(code, "unneeded") && strcmp(code, "no-texture") && strcmp(code, "clipped") &&
             strcmp(code, "border");
    }
    return n;
}

/* Checks the frames and prints a row of the table. */
static void judge(struct shoot *s, const struct shoot_frame *f, int32_t n, struct region_px region,
                  const char *what, struct verdict *v)
{
    struct shots shots;
    struct err why = {0};
    char words[400] = "";
    shoot_frames(s, f, n, &shots);
    *v = (struct verdict){0};
    const struct check_input in = {
        .frames = n, .measures = shots.list, .order = ORDER_NEAR_FIRST, .region = region};
    if (check_stack(&in, v, &why)) fail_msg("%s", why.text);
    for (int32_t i = 0; i < v->findings.count; i++) {
        const struct finding *g = &v->findings.rows[i];
        const size_t used = strlen(words);
        snprintf(words + used, sizeof words - used, "%s%s", used ? ", " : "", g->code);
        if (g->frame_count && strcmp(g->code, "unneeded"))
            snprintf(words + strlen(words), sizeof words - strlen(words), " %d", (int)g->frames[0] + 1);
    }
    printf("printed: hard case | %-48s | %s\n", what, words[0] ? words : "nothing");
    shots_clear(&shots);
}

static const struct region_px everywhere;

/* ---- light ---- */

static void a_lamp_off_at_slice_thirty_is_named(void **state)
{
    (void)state;
    struct shoot s;
    struct shoot_frame f[N];
    struct verdict v;
    const struct shoot_scene scene = aloe();
    open_scene(&s, &scene, f);
    judge(&s, f, N, everywhere, "nothing wrong", &v);
    assert_int_equal(blames(&v), 0);
    verdict_clear(&v);
    f[LAMP - 1].light_stops = -7;
    judge(&s, f, N, everywhere, "lamp off for frame 30", &v);
    assert_true(names(&v, "light-odd", LAMP - 1) && find(&v, "light-odd")->grave);
    verdict_clear(&v);
    for (int32_t i = LAMP - 1; i < N; i++)
        f[i].light_stops = -7;
    judge(&s, f, N, everywhere, "lamp off from frame 30 on", &v);
    assert_true(names(&v, "light-jump", LAMP - 1));
    for (int32_t i = LAMP - 1; i < N; i++)
        assert_true(names(&v, "light-odd", i));
    verdict_clear(&v);
    for (int32_t i = LAMP - 1; i < N; i++)
        f[i].light_stops = i == LAMP - 1 ? -0.06 : 0;
    judge(&s, f, N, everywhere, "borderline: frame 30 darker by 0.06 stops", &v);
    assert_int_equal(blames(&v), 0);
    verdict_clear(&v);
    for (int32_t i = 0; i < N; i++)
        f[i].light_stops = i % 3 == 0 ? 0.3 : i % 3 == 1 ? -0.3 : 0;
    judge(&s, f, N, everywhere, "unequal exposure, 0.3 stops up and down", &v);
    assert_non_null(find(&v, "light-scatter"));
    assert_null(find(&v, "gap"));
    verdict_clear(&v);
    for (int32_t i = 0; i < N; i++)
        f[i].light_stops = i % 3 == 0 ? 0.02 : i % 3 == 1 ? -0.02 : 0;
    judge(&s, f, N, everywhere, "borderline: 0.02 stops up and down", &v);
    assert_int_equal(blames(&v), 0);
    verdict_clear(&v);
    shoot_close(&s);
}

/* ---- order and place ---- */

static void exchange(struct shoot_frame *f, int32_t i)
{
    const struct shoot_frame first = f[i];
    f[i] = f[i + 1];
    f[i + 1] = first;
}

static void order_repeats_and_bumps_are_named(void **state)
{
    (void)state;
    struct shoot s;
    struct shoot_frame f[N];
    struct verdict v;
    const struct shoot_scene scene = aloe();
    open_scene(&s, &scene, f);
    exchange(f, AT);
    judge(&s, f, N, everywhere, "frames 19 and 20 exchanged", &v);
    assert_int_equal(v.swapped.count, 1);
    assert_int_equal(v.swapped.rows[0], AT);
    assert_int_equal(blames(&v), 1);
    verdict_clear(&v);
    exchange(f, AT);
    exchange(f, 0);
    judge(&s, f, N, everywhere, "borderline: 1 and 2 exchanged, nothing in focus", &v);
    assert_false(find(&v, "gap"));
    verdict_clear(&v);
    exchange(f, 0);
    const struct shoot_frame after = f[AT + 1];
    f[AT + 1] = f[AT];
    judge(&s, f, N, everywhere, "frame 20 is the picture of 19 once more", &v);
    assert_true(names(&v, "repeated", AT + 1));
    verdict_clear(&v);
    f[AT + 1].again = 1;
    judge(&s, f, N, everywhere, "frame 20 is of the place of 19, other noise", &v);
    assert_true(names(&v, "repeated", AT + 1));
    verdict_clear(&v);
    f[AT + 1] = after;
    f[AT + 1].at_nm -= s.spacing_nm * 3 / 10;
    judge(&s, f, N, everywhere, "borderline: frame 20 a third too near", &v);
    assert_int_equal(blames(&v), 0);
    verdict_clear(&v);
    f[AT + 1] = after;
    for (int32_t i = AT; i < N; i++)
        f[i].shift_px = 4;
    judge(&s, f, N, everywhere, "subject bumped by 4 px before frame 19", &v);
    assert_true(names(&v, "moved", AT));
    assert_int_equal(v.group_count, 2);
    assert_int_equal(v.groups[1].first, AT);
    assert_near(fabs(v.groups[1].jump_x_px), 4, 0.3);
    assert_int_equal(v.blurred.count + v.swapped.count + v.repeated.count + v.gap_count, 0);
    verdict_clear(&v);
    for (int32_t i = AT; i < N; i++)
        f[i].shift_px = 0.2;
    judge(&s, f, N, everywhere, "borderline: by 0.2 px", &v);
    assert_int_equal(blames(&v), 0);
    verdict_clear(&v);
    for (int32_t i = 0; i < N; i++) {
        f[i].shift_px = 0;
        f[i].shake_px = 2;
    }
    judge(&s, f, N, everywhere, "all frames shaken alike, no reference", &v);
    assert_int_equal(v.blurred.count, 0); /* against each other none is worse */
    verdict_clear(&v);
    shoot_close(&s);
}

/* ---- scenes ---- */

static double before_wall(double x, double y, const void *arg)
{
    (void)y;
    (void)arg;
    return x < 0.6 ? x : 1; /* the subject left, a wall far behind it */
}

static void a_region_leaves_the_background_out(void **state)
{
    (void)state;
    struct shoot s;
    struct shoot_frame f[N];
    struct verdict v;
    struct shoot_scene scene = aloe();
    made_scene_depth(&scene, before_wall, NULL);
    open_scene(&s, &scene, f);
    const int32_t n = SPARE + SLICES * 6 / 10 + 3; /* beyond the subject, far before the wall */
    judge(&s, f, n, everywhere, "stack ends before the wall behind", &v);
    assert_non_null(find(&v, "too-short-far"));
    verdict_clear(&v);
    judge(&s, f, n, (struct region_px){0, 0, 200, 346}, "the same, region on the subject", &v);
    assert_null(find(&v, "too-short-far"));
    verdict_clear(&v);
    judge(&s, f, n, (struct region_px){0, 0, 330, 346}, "borderline: region takes some of the wall", &v);
    assert_non_null(find(&v, "too-short-far"));
    verdict_clear(&v);
    shoot_close(&s);
}

static double slope(double x, double y, const void *arg)
{
    (void)x;
    (void)arg;
    return y;
}

static uint8_t wallpaper(int32_t x, int32_t y, const void *arg)
{
    (void)arg;
    return (uint8_t)(120 + 60 * ((x / 5 + y / 5) % 2) + 20 * ((x / 10) % 2));
}

/* A hash of place as texture, on the right part only. */
static uint8_t half_bare(int32_t x, int32_t y, const void *arg)
{
    const int32_t bare = *(const int32_t *)arg;
    uint32_t h = (uint32_t)(x / 2) * 374761393u + (uint32_t)(y / 2) * 668265263u;
    h = (h ^ (h >> 13)) * 1274126177u;
    return x < bare ? 128 : (uint8_t)(60 + (h >> 24) / 2);
}

static void wallpaper_and_bare_parts_make_no_gap(void **state)
{
    (void)state;
    struct shoot s;
    struct shoot_frame f[N];
    struct verdict v;
    struct shoot_scene scene = {.width_px = 400, .height_px = 346};
    made_scene_paint(&scene, 400, 346, wallpaper, NULL);
    made_scene_depth(&scene, slope, NULL);
    open_scene(&s, &scene, f);
    judge(&s, f, N, everywhere, "periodic wallpaper on a slope", &v);
    assert_null(find(&v, "gap"));
    assert_null(find(&v, "shifted"));
    verdict_clear(&v);
    shoot_close(&s);
    for (int32_t bare = 100; bare <= 300; bare += 200) {
        char what[80];
        snprintf(what, sizeof what, "no texture on the left %d of 400 px", (int)bare);
        made_scene_paint(&scene, 400, 346, half_bare, &bare);
        made_scene_depth(&scene, slope, NULL);
        open_scene(&s, &scene, f);
        judge(&s, f, N, everywhere, what, &v);
        printf("measured: no texture on %.2f of the picture, told %.2f\n", bare / 400.0,
               1 - v.textured_fraction);
        assert_near(1 - v.textured_fraction, bare / 400.0, 0.12);
        assert_non_null(find(&v, "no-texture"));
        assert_null(find(&v, "gap"));
        verdict_clear(&v);
        shoot_close(&s);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_lamp_off_at_slice_thirty_is_named),
        cmocka_unit_test(order_repeats_and_bumps_are_named),
        cmocka_unit_test(a_region_leaves_the_background_out),
        cmocka_unit_test(wallpaper_and_bare_parts_make_no_gap),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
