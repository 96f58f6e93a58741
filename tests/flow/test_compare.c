/* Before a resume goes on it looks whether the set is as it was. What was planted in the world (sim/world.h),
 * not what registration says of it, is the truth; the limits are our own choice, and stand here in numbers
 * again. */
#include "tests/support/test.h"

#include "base/mem.h"
#include "run/compare.h"
#include "store/store.h"
#include "tests/support/sweep.h"

#define WIDTH    320
#define HEIGHT   240
#define PIXEL_UM (24000.0 / WIDTH / 4) /* on the subject */

static struct shoot_job job;

static int set_up(void **state)
{
    (void)state;
    const struct small s = {.width_px = WIDTH, .height_px = HEIGHT, .slices = 6, .settle_ms = 300};
    small_job("compare", &s, &job);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    shoot_job_clear(&job);
    return 0;
}

static const char *half_a_stack(void)
{
    static int turn;
    char name[32];
    snprintf(name, sizeof name, "stack%d", ++turn);
    struct sweep s = {.job = &job, .dir = small_path(name), .how = SWEEP_PAUSE, .at = 90};
    sweep_shoot(&s);
    assert_int_equal(s.rc, E_PAUSED);
    assert_true(s.result.kept >= 3 && s.result.kept < s.result.slices);
    run_result_clear(&s.result);
    return s.dir;
}

/* ---- a resume, before which somebody was at the bench */

struct again {
    struct world_meddling meddled;
    bool anyway;
    int rc;
    struct err why;
    struct run_result result;
    int32_t shots;
};

static void meddle(void *arg, struct rig *r, struct store *st)
{
    (void)st;
    world_meddle(r->world, &((struct again *)arg)->meddled);
}

static void count_shots(void *arg, struct rig *r)
{
    const struct shot *log;
    ((struct again *)arg)->shots = world_shots(r->world, &log);
}

static void resume(const char *dir, struct again *a)
{
    bool already;
    struct shoot_opts o = {
        .dir = dir, .workers = 2, .anyway = a->anyway, .opened = meddle, .closing = count_shots, .arg = a};
    a->rc = shoot_resume(&o, &a->result, &already, &a->why);
    small_check_consistent(dir);
}

static const struct run_compared *last(const struct again *a)
{
    assert_true(a->result.compared_count > 0);
    return &a->result.compared[a->result.compared_count - 1];
}

static bool has_note(const struct again *a, const char *code)
{
    for (int32_t i = 0; i < a->result.findings.count; i++)
        if (!strcmp(a->result.findings.rows[i].code, code)) return true;
    return false;
}

/* What the log of the stack says last of a kind. */
static void last_event(const char *dir, const char *kind, struct event_row *out)
{
    struct store *st;
    struct event_row *rows;
    int32_t n;
    *out = (struct event_row){0};
    assert_int_equal(store_open(dir, true, &st, NULL), 0);
    assert_int_equal(store_events(st, &rows, &n, NULL), 0);
    for (int32_t i = 0; i < n; i++)
        if (!strcmp(rows[i].kind, kind)) *out = rows[i];
    mem_free(rows);
    store_close(st);
}

static void a_set_left_alone_is_not_blamed(void **state)
{
    (void)state;
    const char *dir = half_a_stack();
    struct again a = {.rc = 0};
    struct event_row e;
    struct small_counts n;
    resume(dir, &a);
    assert_int_equal(a.rc, 0);
    assert_int_equal(a.result.compared_count, 2);
    for (int i = 0; i < 2; i++) {
        const struct run_compared *c = &a.result.compared[i];
        print_message("measured: left alone, slice %d once more: %.3f %.3f px, scale %.5f, %.3f stops\n",
                      (int)c->slice, c->dx_px, c->dy_px, c->scale, c->light_stops);
        if (c->shift_known) assert_true(hypot(c->dx_px, c->dy_px) < 0.5 && fabs(c->scale - 1) < 0.002);
        assert_true(fabs(c->light_stops) < 0.05);
    }
    assert_false(has_note(&a, "not-as-it-was"));
    last_event(dir, "compared", &e);
    assert_string_equal(e.detail, "same");
    small_check_whole(dir, true);
    small_count(dir, &n);
    assert_int_equal(n.references, 2);
    run_result_clear(&a.result);
}

/* Nothing new is shot; whoever insists gets the rest. */
static void refused_until_it_is_insisted(const char *dir, struct again *a, const char *word)
{
    struct again b = *a;
    struct event_row e;
    struct small_counts before, after;
    small_count(dir, &before);
    resume(dir, a);
    small_count(dir, &after);
    print_message("%s\n", a->why.text);
    assert_int_equal(a->rc, E_STATE);
    assert_non_null(strstr(a->why.text, "look at the set first"));
    assert_non_null(strstr(a->why.text, word));
    assert_int_equal(after.kept, before.kept);
    assert_int_equal(a->shots, after.references - before.references);
    assert_true(has_note(a, "not-as-it-was"));
    last_event(dir, "compared", &e);
    assert_string_equal(e.detail, "too much");
    b.anyway = true;
    resume(dir, &b);
    assert_int_equal(b.rc, 0);
    assert_true(has_note(&b, "not-as-it-was"));
    small_check_whole(dir, true);
    run_result_clear(&b.result);
}

static void a_moved_set_wants_a_person(void **state)
{
    (void)state;
    struct again a = {.meddled = {.x_um = 12 * PIXEL_UM, .y_um = -5 * PIXEL_UM}};
    refused_until_it_is_insisted(half_a_stack(), &a, "13.0 px beside");
    print_message("measured: set moved by 12, -5 px: told %.2f %.2f\n", last(&a)->dx_px, last(&a)->dy_px);
    assert_near(fabs(last(&a)->dx_px), 12, 0.3);
    assert_near(fabs(last(&a)->dy_px), 5, 0.3);
    run_result_clear(&a.result);
}

static void a_little_shift_is_told_and_no_more(void **state)
{
    (void)state;
    const char *dir = half_a_stack();
    struct again a = {.meddled = {.x_um = 3 * PIXEL_UM}};
    struct event_row e;
    resume(dir, &a);
    assert_int_equal(a.rc, 0);
    assert_true(has_note(&a, "not-as-it-was"));
    last_event(dir, "compared", &e);
    assert_string_equal(e.detail, "differs");
    assert_near(fabs(last(&a)->dx_px), 3, 0.3);
    run_result_clear(&a.result);
}

static void another_lamp_wants_a_person(void **state)
{
    (void)state;
    struct again a = {.meddled = {.light_stops = -0.8}};
    refused_until_it_is_insisted(half_a_stack(), &a, "light -0.");
    print_message("measured: light changed by -0.8 stops: told %.2f\n", last(&a)->light_stops);
    assert_near(last(&a)->light_stops, -0.8, 0.1);
    run_result_clear(&a.result);
}

static void a_lamp_a_little_weaker_is_told_and_no_more(void **state)
{
    (void)state;
    struct again a = {.meddled = {.light_stops = -0.25}};
    resume(half_a_stack(), &a);
    assert_int_equal(a.rc, 0);
    assert_true(has_note(&a, "not-as-it-was"));
    run_result_clear(&a.result);
}

static void another_scale_wants_a_person(void **state)
{
    (void)state;
    struct again a = {.meddled = {.scale = 1.02}};
    refused_until_it_is_insisted(half_a_stack(), &a, "scale +");
    print_message("measured: scale changed by 2 %%: told %.4f\n", last(&a)->scale);
    assert_near(last(&a)->scale, 1.02, 0.002);
    run_result_clear(&a.result);
}

/* Out of focus by a dozen slices, and smaller: by perspective 43.75 mm / (43.75 + 0.6) mm of a thin lens of
 * 35 mm at 4:1, whose entrance pupil is f (1 + 1/4) before the plane of focus (any textbook of optics). */
static void a_set_pushed_away_wants_a_person(void **state)
{
    (void)state;
    struct again a = {.meddled = {.away_um = 600}};
    refused_until_it_is_insisted(half_a_stack(), &a, "scale -");
    print_message("measured: set pushed away by 0.6 mm: told %.2f px, scale %.4f\n",
                  hypot(last(&a)->dx_px, last(&a)->dy_px), last(&a)->scale);
    assert_near(last(&a)->scale, 43.75 / 44.35, 0.002);
    run_result_clear(&a.result);
}

static void a_set_that_is_gone_wants_a_person(void **state)
{
    (void)state;
    struct again a = {.meddled = {.x_um = 300 * PIXEL_UM, .y_um = 200 * PIXEL_UM}};
    refused_until_it_is_insisted(half_a_stack(), &a, "");
    run_result_clear(&a.result);
}

/* ---- the limits by themselves: 6000 x 4000 px, a stack over which a point grows by 8 % */

static enum compare_verdict judged(struct compare_found f)
{
    char text[128];
    f.width_px = 6000;
    f.height_px = 4000;
    f.scale_change = 0.08;
    if (f.scale == 0) f.scale = 1;
    return compare_judge(&f, text, sizeof text);
}

static void the_limits_are_these(void **state)
{
    (void)state;
    struct compare_found f = {.shift_known = true};
    assert_int_equal(judged(f), COMPARE_SAME);
    f.dx_px = 1.9;
    assert_int_equal(judged(f), COMPARE_SAME);
    f.dx_px = 2.1;
    assert_int_equal(judged(f), COMPARE_DIFFERS);
    f.dx_px = 24.9; /* 2 px / 0.08 = 25 px */
    assert_int_equal(judged(f), COMPARE_DIFFERS);
    f.dx_px = -25.1;
    assert_int_equal(judged(f), COMPARE_TOO_MUCH);
    f = (struct compare_found){.shift_known = true, .scale = 1.0019};
    assert_int_equal(judged(f), COMPARE_SAME);
    f.scale = 0.9979;
    assert_int_equal(judged(f), COMPARE_DIFFERS);
    f.scale = 1.0031;
    assert_int_equal(judged(f), COMPARE_TOO_MUCH);
    f = (struct compare_found){.shift_known = true, .light_stops = -0.14};
    assert_int_equal(judged(f), COMPARE_SAME);
    f.light_stops = 0.16;
    assert_int_equal(judged(f), COMPARE_DIFFERS);
    f.light_stops = -0.51;
    assert_int_equal(judged(f), COMPARE_TOO_MUCH);
    f = (struct compare_found){.shift_known = false, .dx_px = 900};
    assert_int_equal(judged(f), COMPARE_SAME);
    f.shift_due = true;
    assert_int_equal(judged(f), COMPARE_TOO_MUCH);
}

static void without_a_scale_change_two_percent_of_the_width_are_too_much(void **state)
{
    (void)state;
    char text[128];
    struct compare_found f = {
        .width_px = 1000, .height_px = 800, .shift_known = true, .scale = 1, .dx_px = 19.9};
    assert_int_equal(compare_judge(&f, text, sizeof text), COMPARE_DIFFERS);
    f.dx_px = 20.1;
    assert_int_equal(compare_judge(&f, text, sizeof text), COMPARE_TOO_MUCH);
    f = (struct compare_found){.width_px = 160, .height_px = 120, .shift_known = true, .scale = 1.005};
    assert_int_equal(compare_judge(&f, text, sizeof text), COMPARE_SAME); /* half a pixel at the corner */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_limits_are_these),
        cmocka_unit_test(without_a_scale_change_two_percent_of_the_width_are_too_much),
        cmocka_unit_test(a_set_left_alone_is_not_blamed),
        cmocka_unit_test(a_moved_set_wants_a_person),
        cmocka_unit_test(a_little_shift_is_told_and_no_more),
        cmocka_unit_test(another_lamp_wants_a_person),
        cmocka_unit_test(a_lamp_a_little_weaker_is_told_and_no_more),
        cmocka_unit_test(another_scale_wants_a_person),
        cmocka_unit_test(a_set_pushed_away_wants_a_person),
        cmocka_unit_test(a_set_that_is_gone_wants_a_person),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
