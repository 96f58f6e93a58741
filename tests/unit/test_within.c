/* What fits into a time, and the table of other choices: against plain search over whole plans. */
#include "tests/support/test.h"

#include "config/config.h"
#include "plan/compare.h"
#include "plan/plan.h"
#include "plan/within.h"

static const char bench_text[] =
    "camera: {width_px: 1800, height_px: 1200, sensor_width_mm: 24, shutter_lag_ms: 50}\n"
    "axis: {lead_mm: 2, steps_per_rev: 200, microsteps: 16, clearance_mm: 20, backlash_um: 20, "
    "speed_mm_per_s: 2}\n"
    "lens: {focal_length_mm: 35, f_number: 2.8}\n";

struct table {
    struct bench bench;
    struct job job;
    struct plan plan;
};

static struct table lay(const char *job_text)
{
    struct table t;
    struct err why = {0};
    assert_int_equal(bench_parse(bench_text, "b.yaml", &t.bench, &why), E_OK);
    assert_int_equal(job_parse(job_text, "j.yaml", &t.job, &why), E_OK);
    assert_int_equal(plan_make(&t.bench, &t.job, &t.plan, NULL, &why), E_OK);
    return t;
}

static void clear(struct table *t)
{
    plan_clear(&t->plan);
    job_clear(&t->job);
}

static int64_t total_with(const struct table *t, int32_t inner)
{
    struct job j = t->job;
    struct plan p;
    j.overlap = -1;
    j.spacing_nm = 0;
    j.slices = inner;
    if (plan_make(&t->bench, &j, &p, NULL, NULL)) return INT64_MAX; /* too near the subject */
    const int64_t total_us = p.timeline.total_us;
    plan_clear(&p);
    return total_us;
}

/* The most slices whose whole plan keeps the limit, found by trying each. */
static void the_closest_spacing_that_fits_is_found(void **state)
{
    (void)state;
    static const char *const jobs[] = {"magnification: 4\ndepth_mm: 3.4\n",
                                       "magnification: 2\nnear_mm: -1\nfar_mm: 9\nsettle_ms: 300\n",
                                       "magnification: 4\ndepth_mm: 1\nslices: 40\n"};
    static const int limits_s[] = {30, 60, 90, 200, 600};
    for (size_t i = 0; i < 3; i++)
        for (size_t k = 0; k < 5; k++) {
            struct table t = lay(jobs[i]);
            struct within w;
            const int64_t limit_us = limits_s[k] * INT64_C(1000000);
            struct err why = {0};
            if (within_find(&t.bench, &t.job, &t.plan, limit_us, &w, &why)) {
                for (int32_t inner = 2; inner < 300; inner++)
                    assert_true(total_with(&t, inner) > limit_us);
                assert_non_null(strstr(why.text, "s are too short"));
                clear(&t);
                continue;
            }
            const int32_t inner = w.finest.slice_count - w.finest.margin_near - w.finest.margin_far;
            assert_true(w.finest.timeline.total_us <= limit_us);
            assert_true(total_with(&t, inner + 1) > limit_us);
            assert_int_equal(w.job_fits, t.plan.timeline.total_us <= limit_us);
            if (w.job_fits) assert_true(w.finest.slice_count >= t.plan.slice_count);
            plan_clear(&w.finest);
            clear(&t);
        }
}

static void each_way_out_keeps_the_limit_and_no_wider_one_does(void **state)
{
    (void)state;
    struct table t = lay("magnification: 4\ndepth_mm: 3.4\n");
    const int64_t limit_us = 90000000;
    struct within w;
    struct plan p;
    assert_int_equal(within_find(&t.bench, &t.job, &t.plan, limit_us, &w, NULL), E_OK);
    assert_false(w.job_fits);
    struct job j = t.job;
    for (int more = 0; more < 2; more++) {
        j.settle_us = w.ways.settle_us + 2000 * more;
        assert_int_equal(plan_make(&t.bench, &j, &p, NULL, NULL), E_OK);
        assert_int_equal(p.timeline.total_us <= limit_us, !more);
        plan_clear(&p);
    }
    j = t.job;
    j.spacing_nm = t.plan.spacing_nm;
    for (int more = 0; more < 2; more++) {
        j.far_nm = w.ways.depth_nm + more * t.plan.spacing_nm;
        assert_int_equal(plan_make(&t.bench, &j, &p, NULL, NULL), E_OK);
        assert_int_equal(p.timeline.total_us <= limit_us, !more);
        plan_clear(&p);
    }
    assert_near(w.ways.f_number, 4, 1e-12); /* 3.2 and 3.5 do not do it: */
    struct bench b = t.bench;
    b.lens.f_number = 3.5;
    assert_int_equal(plan_make(&b, &t.job, &p, NULL, NULL), E_OK);
    assert_true(p.timeline.total_us > limit_us);
    plan_clear(&p);
    plan_clear(&w.finest);
    clear(&t);
}

static void no_time_at_all_says_how_much_it_takes(void **state)
{
    (void)state;
    struct table t = lay("magnification: 4\ndepth_mm: 3.4\n");
    struct within w;
    struct err why;
    assert_int_equal(within_find(&t.bench, &t.job, &t.plan, 5000000, &w, &why), E_INPUT);
    double seconds = 0;
    int slices = 0;
    const char *even = strstr(why.text, "even ");
    assert_non_null(even);
    assert_int_equal(sscanf(even, "even %d slices, margin and all, take %lf s", &slices, &seconds), 2);
    assert_near(seconds, (double)total_with(&t, slices - 4) / 1e6, 0.01);
    for (int32_t inner = 2; inner < 40; inner++)
        assert_true((double)total_with(&t, inner) / 1e6 > seconds - 0.01);
    clear(&t);
}

static void a_flat_subject_fits_or_does_not(void **state)
{
    (void)state;
    struct table t = lay("magnification: 4\ndepth_mm: 0\n");
    struct within w;
    assert_int_equal(within_find(&t.bench, &t.job, &t.plan, 60000000, &w, NULL), E_OK);
    assert_int_equal(w.finest.slice_count, 5);
    plan_clear(&w.finest);
    assert_int_equal(within_find(&t.bench, &t.job, &t.plan, 6000000, &w, NULL), E_INPUT);
    clear(&t);
}

static void the_table_shows_the_jobs_own_row_and_its_neighbours(void **state)
{
    (void)state;
    struct table t = lay("magnification: 4\ndepth_mm: 3.4\n");
    struct compare_row rows[COMPARE_MOST];
    static const double marks[] = {1.4, 2, 2.8, 4, 5.6, 8};
    assert_int_equal(compare_apertures(&t.bench, &t.job, rows), 6);
    for (int i = 0; i < 6; i++) {
        assert_true(rows[i].marked == marks[i] && rows[i].own == (i == 2) && !rows[i].refused);
        if (!i) continue;
        assert_true(rows[i].plan.slice_count < rows[i - 1].plan.slice_count);
        assert_true(rows[i].contrast_in_focus < rows[i - 1].contrast_in_focus);
    }
    assert_int_equal(rows[2].plan.slice_count, t.plan.slice_count);
    assert_int_equal(rows[2].plan.timeline.total_us, t.plan.timeline.total_us);
    assert_int_equal(compare_spacings(&t.bench, &t.job, rows), 6);
    assert_true(rows[1].own && !rows[0].own && !rows[4].own);
    assert_int_equal(rows[1].plan.spacing_nm, t.plan.spacing_nm);
    assert_true(rows[0].plan.spacing_nm < rows[1].plan.spacing_nm);
    assert_true(rows[3].plan.optics.overlap >= 0.5);
    t.bench.lens = (struct lens_spec){.na = 0.1, .pupil_ratio = 1, .teleconverter = 1};
    assert_int_equal(compare_apertures(&t.bench, &t.job, rows), 0); /* an objective has one aperture */
    clear(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_closest_spacing_that_fits_is_found),
        cmocka_unit_test(each_way_out_keeps_the_limit_and_no_wider_one_does),
        cmocka_unit_test(no_time_at_all_says_how_much_it_takes),
        cmocka_unit_test(a_flat_subject_fits_or_does_not),
        cmocka_unit_test(the_table_shows_the_jobs_own_row_and_its_neighbours),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
