/* The planner: hand-worked examples, invariants over many invented benches, and a peer for the spacing. */
#include "tests/support/test.h"

#include "base/findings.h"
#include "base/mem.h"
#include "config/config.h"
#include "plan/plan.h"
#include "plan/slices.h"
#include "plan/spacing.h"
#include "plan/timeline.h"

#define SMOOTH_US 31000

#define PI 3.14159265358979323846

static struct bench demo_bench(void)
{
    return (struct bench){
        .path = "b.yaml",
        .camera = {.kind = "simulated",
                   .width_px = 1800,
                   .height_px = 1200,
                   .sensor_width_nm = 24000000,
                   .shutter_lag_us = 50000},
        .axis = {.kind = "rail",
                 .lead_nm = 2000000,
                 .steps_per_rev = 200,
                 .microsteps = 16,
                 .clearance_nm = 8000000,
                 .backlash_nm = 20000,
                 .speed_nm_per_s = 2000000},
        .lens = {.focal_length_nm = 35000000, .f_number = 2.8, .pupil_ratio = 1, .teleconverter = 1},
    };
}

static struct job demo_job(void)
{
    return (struct job){.path = "j.yaml",
                        .magnification = 4,
                        .depth_kind = DEPTH_MARKS,
                        .far_nm = 3400000,
                        .overlap = -1,
                        .settle_us = -1,
                        .start_delay_us = -1,
                        .exposure_us = 250000};
}

static struct plan make(const struct bench *b, const struct job *j)
{
    struct plan p;
    struct err why = {0};
    const int rc = plan_make(b, j, &p, NULL, &why);
    if (rc) print_error("%s\n", why.text);
    assert_int_equal(rc, E_OK);
    return p;
}

/* By hand. N_eff = 2.8 x 5 = 14; pixel 24/1800 = 13.333 um, Nyquist 37.5, half 18.75 lp/mm (diffraction
 * leaves 0.5 only at 0.404 / (0.00055 x 14) = 52.5). Depth by rays 2 x 14 x 26.667/16 = 46.667 um, by waves 4
 * x 0.55 x 196/16 = 26.95. Spacing by contrast 45.9 um (the peer below): 3400/45.9 = 74.04, so 75 gaps
 * of 45.333 um: 76 slices and 4. View distance 35 x 1.25 = 43.75 mm. A move of 45.333 um at 2 mm/s reached in
 * 0.1 s: 2 sqrt(0.045333/20) = 95.2 ms. */
static void the_demo_is_planned_as_by_hand(void **state)
{
    (void)state;
    const struct bench b = demo_bench();
    const struct job j = demo_job();
    struct plan p = make(&b, &j);
    assert_near(p.optics.effective_f_number, 14, 1e-12);
    assert_near(p.optics.exposure_factor, 25, 1e-9);
    assert_near(p.optics.exposure_stops, 4.643856, 1e-6);
    assert_near(p.optics.pixel_um, 13.333333, 1e-6);
    assert_near(p.optics.test_frequency_lp_per_mm, 18.75, 1e-9);
    assert_near(p.optics.geometric_dof_um, 46.666667, 1e-6);
    assert_near(p.optics.wave_dof_um, 26.95, 1e-9);
    assert_near((double)p.wanted_spacing_nm, 45900, 50);
    assert_int_equal(p.spacing_nm, 45333);
    assert_int_equal(p.slice_count, 80);
    assert_int_equal(p.margin_near + p.margin_far, 4);
    assert_int_equal(p.slices[2].target_nm, 0);
    assert_int_equal(p.slices[77].target_nm, 3400000);
    assert_int_equal(p.travel.first_nm, -90625);
    assert_int_equal(p.travel.toward_subject_nm, 3490625);
    assert_true(p.travel.take_up_nm >= 40000);
    assert_near(p.optics.view_distance_mm, 43.75, 1e-9);
    assert_near(p.compose_looser, 3.58125 / 43.75, 1e-6);
    assert_near(p.optics.scale_change, 1 - 43.75 / (43.75 + 3.58125), 1e-9);
    assert_near((double)p.timeline.move_us, 95219 + SMOOTH_US, 50);
    assert_int_equal(p.timeline.slice_us, p.timeline.move_us + 1000000 + 50000 + 250000);
    /* 10 s delay, first frame, 79 slices more; back over 3.581 and 0.041 mm at 2 mm/s, a take-up, and once
     * more. */
    const double smooth_s = SMOOTH_US * 1e-6,
                 closing_s = (3.621875 / 2 + 0.1) + 2 * sqrt(0.040625 / 20) + 2 * smooth_s + 1.3;
    assert_near((double)p.timeline.closing_us, 1e6 * closing_s, 5000);
    assert_near((double)p.timeline.total_us, 1e6 * (10 + 0.3 + 79 * (1.395219 + smooth_s) + closing_s),
                10000);
    plan_clear(&p);
}

/* Contrast of two apertures laid on each other, point by point, with the defocus from the thin lens equation
 * itself. */
static double peer_contrast(double f_mm, double m, double n_eff, double frequency, double beyond_mm)
{
    const double lambda = 0.00055, u = f_mm * (1 + 1 / m), v = 1 / (1 / f_mm - 1 / u);
    const double shift_mm = v - 1 / (1 / f_mm - 1 / (u + beyond_mm));
    const double waves = shift_mm / (8 * n_eff * n_eff * lambda), nu = frequency * lambda * n_eff;
    double sharp = 0, soft = 0;
    const int n = 1500;
    for (int iy = 0; iy < n; iy++)
        for (int ix = 0; ix < n; ix++) {
            const double x = -1 + (ix + 0.5) * 2 / n, y = -1 + (iy + 0.5) * 2 / n;
            const double left = (x + nu) * (x + nu) + y * y, right = (x - nu) * (x - nu) + y * y;
            if (left >= 1 || right >= 1) continue;
            sharp += 1;
            soft += cos(2 * PI * waves * (left - right));
        }
    return soft / sharp;
}

static void midway_between_slices_four_fifths_of_the_contrast_are_left(void **state)
{
    (void)state;
    static const double rows[][3] = {{4, 2.8, 0.2}, {1, 8, 0.2}, {2, 5.6, 0.1}, {5, 2, 0.3}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        struct bench b = demo_bench();
        struct job j = demo_job();
        j.magnification = rows[i][0];
        b.lens.f_number = rows[i][1];
        j.contrast_drop = rows[i][2];
        struct plan_optics o;
        assert_int_equal(plan_optics_make(&b, &j, &o, NULL), E_OK);
        const double spacing = spacing_by_contrast_um(&o, j.contrast_drop);
        const double n = o.effective_f_number, frequency = o.test_frequency_lp_per_mm, half = spacing / 2000;
        /* From the slice before it lies behind the focus, from the slice after it in front. */
        const double left = (peer_contrast(35, o.magnification, n, frequency, half) +
                             peer_contrast(35, o.magnification, n, frequency, -half)) /
                            2;
        assert_near(left, 1 - j.contrast_drop, 2e-3);
        assert_near(spacing_contrast_midway(&o, spacing), 1 - j.contrast_drop, 1e-6);
    }
}

/* Small pixels: where diffraction has taken half already, contrast is judged there. */
static void contrast_is_judged_where_there_is_some(void **state)
{
    (void)state;
    assert_near(spacing_frequency(14, 13.333333), 18.75, 1e-5);
    assert_near(spacing_frequency(32, 2), 0.403973 / (0.00055 * 32), 1e-3);
}

/* Frames needed: ceil(depth / spacing) + 1 (common practice). The last five rows give one too many when they
 * are computed in floating point. */
static void no_slice_too_many_by_a_hair(void **state)
{
    (void)state;
    static const struct {
        double depth_mm, dof_mm, overlap;
        int slices;
    } rows[] = {
        {10, 0.96, 0.25, 15}, {5, 0.084, 0.30, 87}, {3, 0.035589, 0.25, 114}, {2, 0.5, 0.2, 6},
        {10, 0.5, 0.2, 26},   {1.5, 0.3, 0.5, 11},  {0, 0.5, 0.2, 1},         {0.9, 0.1, 0.4, 16},
        {0.9, 0.3, 0.25, 5},  {1.8, 0.1, 0.4, 31},  {2.1, 0.3, 0, 8},         {2.1, 0.1, 0.3, 31},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const int64_t depth = llround(rows[i].depth_mm * 1e6);
        const int64_t spacing = llround(rows[i].dof_mm * (1 - rows[i].overlap) * 1e6);
        assert_int_equal(slices_needed(depth, spacing), rows[i].slices);
    }
}

/* 58.8 um on a 2 mm lead with 1/16 steps is 94.08 counts: repeating 94 would lose 4.4 um in 85 steps. */
static void rounding_does_not_add_up(void **state)
{
    (void)state;
    static const int64_t counts[] = {0, 94, 188, 282, 376, 470, 564, 659};
    const struct bench b = demo_bench();
    struct slices_spec spec = {.far_nm = 85 * 58800, .inner = 86, .spacing_nm = 58800};
    struct plan_slice out[86];
    slices_count_length(&b.axis, &spec.num, &spec.den);
    assert_int_equal(spec.num, 625);
    assert_int_equal(spec.den, 1);
    assert_int_equal(slices_lay(&spec, out, NULL), E_OK);
    for (int k = 0; k < 8; k++)
        assert_int_equal(out[k].target_counts, counts[k]);
    assert_int_equal(out[85].target_counts, 7997); /* 4998 um: 7996.8 */
}

static void the_same_aperture_in_three_words_is_one_plan(void **state)
{
    (void)state;
    struct bench b = demo_bench();
    const struct job j = demo_job();
    struct plan p = make(&b, &j);
    struct job by_width = j;
    by_width.magnification = 0;
    by_width.field_width_nm = 6000000;
    struct plan width = make(&b, &by_width);
    b.lens.f_number = 0;
    b.lens.effective_f_number = 14;
    b.lens.focal_length_nm = 0;
    struct plan effective = make(&b, &j);
    b.lens.effective_f_number = 0;
    b.lens.na = 4 / (2 * 14.0);
    struct plan na = make(&b, &j);
    assert_int_equal(p.slice_count, effective.slice_count);
    assert_int_equal(p.wanted_spacing_nm, effective.wanted_spacing_nm);
    assert_int_equal(p.wanted_spacing_nm, na.wanted_spacing_nm);
    assert_int_equal(p.wanted_spacing_nm, width.wanted_spacing_nm);
    assert_true(effective.compose_looser == 0 &&
                effective.optics.exposure_factor == 0); /* not known, not guessed */
    plan_clear(&p);
    plan_clear(&width);
    plan_clear(&effective);
    plan_clear(&na);
}

/* A 2x teleconverter at 4x total: the lens alone does 2x, f/2.8 x 3 = 8.4, and the converter makes that 16.8.
 */
static void a_teleconverter_slows_the_lens(void **state)
{
    (void)state;
    struct bench b = demo_bench();
    const struct job j = demo_job();
    struct plan_optics o;
    b.lens.teleconverter = 2;
    assert_int_equal(plan_optics_make(&b, &j, &o, NULL), E_OK);
    assert_near(o.effective_f_number, 16.8, 1e-9);
    assert_near(o.view_distance_mm, 35 * 1.5, 1e-9);
}

static void a_guessed_end_gets_one_margin_slice_more(void **state)
{
    (void)state;
    const struct bench b = demo_bench();
    struct job j = demo_job();
    j.far_guessed = true;
    struct plan p = make(&b, &j);
    assert_int_equal(p.slice_count, 81);
    assert_int_equal(p.margin_far, 3);
    assert_false(p.slices[77].margin);
    assert_true(p.slices[78].margin);
    plan_clear(&p);
}

static void a_flat_subject_is_one_slice_and_margin(void **state)
{
    (void)state;
    const struct bench b = demo_bench();
    struct job j = demo_job();
    j.depth_kind = DEPTH_LENGTH;
    j.far_nm = 0;
    struct plan p = make(&b, &j);
    assert_int_equal(p.slice_count, 5);
    assert_int_equal(p.slices[2].target_counts, 0);
    assert_int_equal(p.slices[1].target_counts, -73); /* 45.9 um in 0.625 */
    plan_clear(&p);
}

static void a_flash_waits_for_its_charge(void **state)
{
    (void)state;
    struct bench b = demo_bench();
    struct job j = demo_job();
    b.light = (struct light_spec){LIGHT_FLASH, 3000000};
    struct plan p = make(&b, &j);
    assert_int_equal(p.timeline.settle_us, 3000000);
    plan_clear(&p);
    j.settle_us = 200000;
    p = make(&b, &j);
    assert_int_equal(p.timeline.slice_us, 3000000);
    plan_clear(&p);
}

/* Uniform acceleration: 2 mm at 2 mm/s with a ramp of 0.1 s takes 1.1 s; 50 um takes 0.1 s at the very peak
 * of 1 mm/s. That it comes and goes within 32 slots of a millisecond makes each 31 ms longer. */
static void moves_take_their_ramp(void **state)
{
    (void)state;
    const struct bench b = demo_bench();
    const struct timeline_motion m = timeline_motion(&b);
    assert_int_equal(m.speed_counts_per_s, 3200);
    assert_int_equal(m.accel_counts_per_s2, 32000);
    assert_int_equal(timeline_move_us(&m, 2000000), 1100000 + SMOOTH_US);
    assert_int_equal(timeline_move_us(&m, 50000), 100000 + SMOOTH_US);
    assert_int_equal(timeline_move_us(&m, -50000), 100000 + SMOOTH_US);
    assert_int_equal(timeline_move_us(&m, 200000), 200000 + SMOOTH_US);
    assert_int_equal(timeline_move_us(&m, 0), 0);
}

/* --- what is refused, and what to do --- */

static void refused(const struct bench *b, const struct job *j, enum errc code, const char *message)
{
    struct plan p = {.slice_count = 77};
    struct err why = {0};
    assert_int_equal(plan_make(b, j, &p, NULL, &why), code);
    assert_string_equal(why.text, message);
    assert_int_equal(p.slice_count, 77);
}

static void what_cannot_be_shot_says_what_to_change(void **state)
{
    (void)state;
    struct bench b = demo_bench();
    struct job j = demo_job();
    b.origins = (struct origins){.rows = {{"axis.clearance_mm", 12}}, .count = 1};
    j.origins = (struct origins){.rows = {{"far_mm", 6}, {"spacing_um", 7}, {"slices", 8}}, .count = 3};

    j.depth_kind = DEPTH_NONE;
    refused(&b, &j, E_INPUT, "j.yaml:1: near and far are missing; write near_mm and far_mm, or depth_mm");
    j = demo_job();
    j.origins = (struct origins){.rows = {{"far_mm", 6}, {"spacing_um", 7}, {"slices", 8}}, .count = 3};

    j.far_nm = 42500000;
    j.spacing_nm = 8500;
    refused(&b, &j, E_INPUT,
            "j.yaml:6: 42.5 mm at 8.5 um take 5001 slices and 4 of margin, more than 4000; shoot at most "
            "33.957 mm, or "
            "every 10.64 um, or close the aperture");
    j.spacing_nm = 10640; /* what the message said */
    struct plan p;
    b.axis.clearance_nm = 0;
    assert_int_equal(plan_make(&b, &j, &p, NULL, NULL), E_OK);
    assert_true(p.slice_count <= PLAN_SLICES_MOST);
    plan_clear(&p);

    b.axis.clearance_nm = 3000000;
    j.far_nm = 3400000;
    j.spacing_nm = 0;
    refused(&b, &j, E_INPUT,
            "b.yaml:12: the last slice lies 3.491 mm beyond the near mark, and the axis may go 3 mm toward "
            "the subject; "
            "shoot less depth, or make room and raise clearance_mm");
    b.axis.clearance_nm = 8000000;
    j.spacing_nm = 500;
    j.far_nm = 100000;
    refused(&b, &j, E_INPUT,
            "j.yaml:7: at a spacing of 0.5 um slices 5 and 6 would be the same place, as the axis moves by "
            "0.625 um at "
            "least; space wider, or set finer microsteps");
    j.spacing_nm = 0;
    j.slices = 1;
    refused(&b, &j, E_INPUT, "j.yaml:8: one slice cannot lie on both marks; write at least 2");
    j.slices = 5;
    j.far_nm = 0;
    refused(&b, &j, E_INPUT,
            "j.yaml:8: near and far are one place, which takes one slice; write slices: 1, or a depth");
    j.far_nm = 100000;
    j.slices = 0;
    b.light.kind = LIGHT_FLASH;
    b.camera.sync_us = 5000;
    j.exposure_us = 2000;
    refused(
        &b, &j, E_INPUT,
        "j.yaml:1: 0.002 s is shorter than the 0.005 s that the camera needs with a flash; expose longer");
    b.light.kind = LIGHT_CONTINUOUS;
    b.axis.steps_per_rev = 100000;
    b.axis.microsteps = 256;
    j.near_nm = 1990000000;
    j.far_nm = 1990000000 + 3400000;
    refused(
        &b, &j, E_INPUT,
        "b.yaml:1: from 1989.91 to 1993.49 mm is more than the axis can count in moves of 7.81e-05 um; set "
        "coarser microsteps, or measure positions from nearer by");
    snprintf(b.axis.kind, sizeof b.axis.kind, "sledge");
    refused(&b, &j, E_UNSUPPORTED, "b.yaml:1: axis.kind: sledge is not known; write rail, hand or lens");
}

static bool has(const struct finding_list *list, const char *code)
{
    for (int32_t i = 0; i < list->count; i++)
        if (!strcmp(list->rows[i].code, code)) return true;
    return false;
}

static void what_can_be_shot_badly_is_remarked(void **state)
{
    (void)state;
    struct bench b = demo_bench();
    struct job j = demo_job();
    struct finding_list list = {0};
    struct plan p;
    assert_int_equal(plan_make(&b, &j, &p, &list, NULL), E_OK);
    assert_int_equal(list.count, 0); /* nothing wrong, nothing said */
    plan_clear(&p);

    j.spacing_nm = 150000;
    b.axis.clearance_nm = 0;
    b.lens.focal_length_nm = 0;
    assert_int_equal(plan_make(&b, &j, &p, &list, NULL), E_OK);
    assert_true(has(&list, "spacing-wide") && has(&list, "clearance-unknown") &&
                has(&list, "perspective-unknown"));
    assert_true(findings_grave(&list));
    plan_clear(&p);
    findings_clear(&list);

    b = demo_bench();
    b.axis.microsteps = 256; /* 51200 steps a second */
    assert_int_equal(plan_make(&b, &j, &p, &list, NULL), E_OK);
    assert_true(has(&list, "speed-limited"));
    plan_clear(&p);
    findings_clear(&list);

    b = demo_bench();
    b.axis.clearance_nm = 0;
    j.spacing_nm = 45000;
    j.far_nm = 44000000;
    assert_int_equal(plan_make(&b, &j, &p, &list, NULL), E_OK);
    assert_true(has(&list, "into-the-lens"));
    plan_clear(&p);
    findings_clear(&list);
}

/* --- invariants over many benches --- */

static uint64_t random_state;

static double uniform(double lo, double hi)
{
    random_state = random_state * 6364136223846793005u + 1442695040888963407u; /* Knuth, MMIX (from memory) */
    return lo + (hi - lo) * (double)(random_state >> 11) / 9007199254740992.0;
}

static double log_uniform(double lo, double hi)
{
    return exp(uniform(log(lo), log(hi)));
}

static void invent(struct bench *b, struct job *j)
{
    static const int32_t steps[] = {200, 400, 48}, micro[] = {1, 8, 16, 32, 256};
    *b = demo_bench();
    *j = demo_job();
    b->axis.lead_nm = llround(log_uniform(3e5, 1e7));
    b->axis.steps_per_rev = steps[(int)uniform(0, 3)];
    b->axis.microsteps = micro[(int)uniform(0, 5)];
    b->axis.clearance_nm = 0;
    b->camera.width_px = (int32_t)uniform(600, 9000);
    b->lens.f_number = uniform(1.4, 16);
    b->lens.pupil_ratio = uniform(0.5, 2);
    j->magnification = log_uniform(0.3, 10);
    j->near_nm = llround(uniform(-1e8, 1e8));
    j->far_nm = j->near_nm + llround(log_uniform(1e4, 2e7));
    j->far_guessed = uniform(0, 1) < 0.3;
    const double kind = uniform(0, 4);
    if (kind < 1) j->spacing_nm = llround(log_uniform(2e3, 1e6));
    if (kind >= 1 && kind < 2) j->overlap = uniform(0, 0.6);
    if (kind >= 2 && kind < 3) j->slices = (int32_t)uniform(2, 300);
}

static void check_slices(const struct plan *p)
{
    const double count_nm = (double)p->nm_per_count_num / (double)p->nm_per_count_den;
    const int32_t last = p->slice_count - p->margin_far - 1;
    assert_near((double)p->slices[p->margin_near].target_nm, (double)p->near_nm, count_nm / 2 + 1);
    assert_near((double)p->slices[last].target_nm, (double)p->far_nm, count_nm / 2 + 1);
    int64_t least = INT64_MAX, most = 0;
    for (int32_t i = 0; i < p->slice_count; i++) {
        assert_int_equal(p->slices[i].number, i + 1);
        assert_int_equal(p->slices[i].margin, i < p->margin_near || i > last);
        assert_near((double)p->slices[i].target_nm, (double)p->slices[i].target_counts * count_nm,
                    0.5 + 1e-6);
        if (!i) continue;
        const int64_t step = p->slices[i].target_counts - p->slices[i - 1].target_counts;
        assert_true(step > 0); /* each is approached from the near side */
        if (step < least) least = step;
        if (step > most) most = step;
    }
    assert_true(most - least <= 1);
    const int32_t gaps = last - p->margin_near;
    if (gaps) assert_true((double)(p->far_nm - p->near_nm) / gaps <= (double)p->wanted_spacing_nm + 1);
}

static void every_plan_covers_near_to_far_evenly(void **state)
{
    (void)state;
    int made = 0, refusals = 0;
    for (uint64_t seed = 1; seed <= 3000; seed++) {
        struct bench b;
        struct job j;
        struct plan p;
        struct err why = {0};
        random_state = seed;
        invent(&b, &j);
        if (plan_make(&b, &j, &p, NULL, &why)) {
            const bool known = strstr(why.text, "more than 4000") || strstr(why.text, "same place");
            if (!known) print_error("seed %d: %s\n", (int)seed, why.text);
            assert_true(known);
            refusals++;
            continue;
        }
        made++;
        check_slices(&p);
        assert_true(p.slice_count <= PLAN_SLICES_MOST);
        assert_true(p.travel.take_up_nm >= 2 * b.axis.backlash_nm);
        const int64_t rest_us =
            p.timeline.total_us - p.timeline.closing_us - (p.slice_count - 1) * p.timeline.slice_us;
        assert_true(rest_us >= p.timeline.start_delay_us + p.timeline.exposure_us);
        assert_true(rest_us >= p.timeline.approach_us + p.timeline.settle_us + p.timeline.exposure_us);
        plan_clear(&p);
    }
    assert_true(made > 1500);
    printf("measured: %d invented plans even and whole, %d refused with a reason\n", made, refusals);
}

static void no_memory_leaves_nothing_behind(void **state)
{
    (void)state;
    const struct bench b = demo_bench();
    struct job j = demo_job();
    j.spacing_nm = 150000; /* one finding */
    int failures = 0;
    for (long n = 1;; n++) {
        struct plan p = {.slice_count = 77};
        struct finding_list list = {0};
        mem_fail_at(n);
        const int rc = plan_make(&b, &j, &p, &list, NULL);
        mem_fail_at(0);
        findings_clear(&list);
        if (!rc) {
            plan_clear(&p);
            break;
        }
        assert_int_equal(rc, E_NOMEM);
        assert_int_equal(p.slice_count, 77);
        failures++;
    }
    assert_int_equal(failures, 2);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_demo_is_planned_as_by_hand),
        cmocka_unit_test(midway_between_slices_four_fifths_of_the_contrast_are_left),
        cmocka_unit_test(contrast_is_judged_where_there_is_some),
        cmocka_unit_test(no_slice_too_many_by_a_hair),
        cmocka_unit_test(rounding_does_not_add_up),
        cmocka_unit_test(the_same_aperture_in_three_words_is_one_plan),
        cmocka_unit_test(a_teleconverter_slows_the_lens),
        cmocka_unit_test(a_guessed_end_gets_one_margin_slice_more),
        cmocka_unit_test(a_flat_subject_is_one_slice_and_margin),
        cmocka_unit_test(a_flash_waits_for_its_charge),
        cmocka_unit_test(moves_take_their_ramp),
        cmocka_unit_test(what_cannot_be_shot_says_what_to_change),
        cmocka_unit_test(what_can_be_shot_badly_is_remarked),
        cmocka_unit_test(every_plan_covers_near_to_far_evenly),
        cmocka_unit_test(no_memory_leaves_nothing_behind),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
