/* A set that nobody touched is blamed nowhere, wherever the stack broke off and whatever was in focus there.
 * The truth is that nothing was planted in the world. */
#include "tests/support/test.h"

#include "tests/support/sweep.h"

#define EVENTS 16 /* between two places where it breaks off */

struct worst {
    int resumes, compared, known;
    double px, scale, stops;
};

static void take_worst(const struct run_result *r, struct worst *w)
{
    w->resumes++;
    for (int32_t i = 0; i < r->compared_count; i++) {
        const struct run_compared *c = &r->compared[i];
        w->compared++;
        w->stops = fmax(w->stops, fabs(c->light_stops));
        if (!c->shift_known) continue;
        w->known++;
        w->px = fmax(w->px, hypot(c->dx_px, c->dy_px));
        w->scale = fmax(w->scale, fabs(c->scale - 1));
    }
}

static void resume(const char *dir, struct worst *w)
{
    struct run_result r;
    struct err why = {0};
    bool already;
    struct shoot_opts o = {.dir = dir, .workers = 2};
    int rc = shoot_resume(&o, &r, &already, &why);
    if (rc) print_error("%s\n", why.text);
    assert_int_equal(rc, 0);
    for (int32_t i = 0; i < r.findings.count; i++) {
        if (strcmp(r.findings.rows[i].code, "not-as-it-was") != 0) continue;
        fail_msg("blamed: %s", r.findings.rows[i].text);
    }
    take_worst(&r, w);
    run_result_clear(&r);
}

static void everywhere(const char *name, const struct small *s)
{
    struct shoot_job job;
    struct worst w = {0};
    char dir[40];
    small_job(name, s, &job);
    for (int64_t at = 40;; at += EVENTS) {
        snprintf(dir, sizeof dir, "%s%d", name, (int)at);
        struct sweep sw = {.job = &job, .dir = small_path(dir), .how = SWEEP_PAUSE, .at = at};
        sweep_shoot(&sw);
        bool paused = sw.rc != 0;
        if (paused) resume(sw.dir, &w);
        run_result_clear(&sw.result);
        if (!paused) break;
    }
    print_message(
        "measured: %s: %d resumes, %d frames compared, %d of them by place: at worst %.2f px, scale %.2f %%, "
        "%.3f stops\n",
        name, w.resumes, w.compared, w.known, w.px, 100 * w.scale, w.stops);
    assert_true(w.compared > 10 && w.known > 5);
    shoot_job_clear(&job);
}

static void under_a_lamp(void **state)
{
    (void)state;
    everywhere("lamp", &(struct small){.width_px = 320, .height_px = 240, .slices = 8, .settle_ms = 300});
}

static void with_a_flash(void **state)
{
    (void)state;
    everywhere("flash", &(struct small){.width_px = 240, .height_px = 160, .slices = 4, .flash = true});
}

static void in_a_large_picture(void **state)
{
    (void)state;
    everywhere("large", &(struct small){.width_px = 1200, .height_px = 800, .slices = 4, .settle_ms = 300});
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(under_a_lamp),
        cmocka_unit_test(with_a_flash),
        cmocka_unit_test(in_a_large_picture),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
