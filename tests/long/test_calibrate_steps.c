/* Lost steps and repeatability on the simulated bench, of its own ruler: a motor that is too weak for the
 * speed it is driven with really loses them in the world, whose count of edges that the rotor did not follow
 * is the truth; so is where the carriage stood at each exposure. */
#include "tests/support/test.h"

#include "tests/support/calibration.h"

#define COUNT_NM 625.0
enum { FRAMES = 24, PICTURES_MOST = 200, FIRST_LOOK = 2 * FRAMES };

/* What the world says at each picture. */
struct seen {
    struct axis_session *session;
    int32_t pictures;
    int64_t net[PICTURES_MOST], missed[PICTURES_MOST];
    double focus_nm[PICTURES_MOST];
    int32_t push_at; /* a set that is pushed then; 0: never */
    double push_um;
};

static void set_up(const char *scene)
{
    char job[400];
    calibration_put("bench.yaml",
                    "camera: {kind: simulated, width_px: 600, height_px: 400, sensor_width_mm: 24}\n"
                    "axis: {kind: rail, link: simulated, lead_mm: 2, steps_per_rev: 200, microsteps: 16,\n"
                    "       clearance_mm: 12, backlash_um: 5, speed_mm_per_s: 2}\n"
                    "lens: {focal_length_mm: 35, f_number: 2.8}\nlight: {kind: continuous}\n");
    snprintf(job, sizeof job,
             "bench: bench.yaml\nmagnification: 4\nnear_mm: 0\nfar_mm: 6\nexposure_s: 0.25\nseed: 3\n"
             "scene: {shows: ruler, backlash_um: 12, %s}\n",
             scene);
    calibration_put("job.yaml", job);
}

static void look(void *arg, int32_t done, int32_t of)
{
    struct seen *s = arg;
    const struct shot *log;
    struct world *w = s->session->rig->world;
    const struct shot *last = NULL;
    const int32_t i = s->pictures, shots = world_shots(w, &log);
    (void)of;
    assert_true(i < PICTURES_MOST && shots > 0);
    assert_int_equal(done, i + 1);
    last = &log[shots - 1];
    world_step_count(w, &s->net[i], &s->missed[i]);
    for (int32_t k = 0; k < last->samples; k++)
        s->focus_nm[i] += last->focus_nm[k] / last->samples;
    s->pictures++;
    if (s->push_at && done == s->push_at) world_meddle(w, &(struct world_meddling){.away_um = s->push_um});
}

static void calibrate(const char *scene, struct seen *s, struct calibration *c)
{
    struct err why = {0};
    set_up(scene);
    s->session = calibration_open();
    const struct calibrate_opts wish = {.progress = look, .arg = s};
    if (calibrate_axis(s->session, &wish, c, &why)) fail_msg("%s", why.text);
    axis_session_close(s->session);
}

/* Each way that lost something is told, with how much; the others are not blamed. */
static void check_ways(const struct seen *s, const struct calibration *c, int32_t lost_wanted)
{
    int32_t at = FIRST_LOOK + 1, lost = 0;
    double worst = 0;
    for (int32_t i = 0; i < c->way_count; i++) {
        const struct calibration_way *w = &c->ways[i];
        lost += w->lost;
        assert_true(w->seen);
        if (!w->lost) continue;
        while (at < s->pictures && s->missed[at] == s->missed[at - 1])
            at++;
        assert_true(at < s->pictures);
        const double truth = (double)(s->missed[at] - s->missed[at - 1]) * COUNT_NM;
        worst = fmax(worst, fabs(w->short_nm - truth));
        assert_near(w->short_nm, truth, 3 * w->uncertainty_nm);
        at++;
    }
    assert_int_equal(lost, lost_wanted);
    while (at < s->pictures && s->missed[at] == s->missed[at - 1])
        at++;
    assert_int_equal(at, s->pictures); /* nothing else was lost */
    printf("measured: %d of %d ways lost steps, %d counts in all; each told within %.2f um\n", lost,
           c->way_count, (int)(s->missed[s->pictures - 1] - s->missed[FIRST_LOOK]), worst / 1000);
}

/* It follows at the sweeps' short moves and not at full speed: it loses as much forth as back, so that after
 * both it stands where it should. */
static void a_weak_motor_is_found_way_by_way(void **state)
{
    (void)state;
    struct seen s = {0};
    struct calibration c;
    calibrate("motor_strength: 0.0755, near_mm: -1.6", &s, &c);
    assert_int_equal(c.way_count, CALIBRATE_WAYS);
    for (int32_t i = 0; i < CALIBRATE_WAYS; i++)
        assert_int_equal(c.ways[i].lost, c.ways[i].times == 1);
    assert_true(c.ways[4].short_nm > 1500000);
    check_ways(&s, &c, 6);
    assert_near(c.backlash_nm, 12000, 3 * c.backlash_uncertainty_nm);
}

/* The truth: how differently the two sweeps forth stood at the same counts, as the shutter saw it. */
static double repeat_of(const struct seen *s)
{
    double mean = 0, square = 0;
    const int32_t again = s->pictures - 2 * FRAMES;
    for (int32_t i = 0; i < FRAMES; i++)
        mean += (s->focus_nm[again + i] - s->focus_nm[i]) / FRAMES;
    for (int32_t i = 0; i < FRAMES; i++)
        square += pow(s->focus_nm[again + i] - s->focus_nm[i] - mean, 2) / (FRAMES - 1);
    return sqrt(square / 2);
}

/* A few percent stronger, and it follows. */
static void a_motor_that_just_follows_is_not_blamed(void **state)
{
    (void)state;
    struct seen s = {0};
    struct calibration c;
    calibrate("motor_strength: 0.08", &s, &c);
    assert_int_equal(c.way_count, CALIBRATE_WAYS);
    check_ways(&s, &c, 0);
    assert_false(c.lost_before);
    printf("measured: a place was met again within %.2f um, told %.2f\n", repeat_of(&s) / 1000,
           c.repeat_nm / 1000);
    assert_near(c.repeat_nm, repeat_of(&s), 600); /* the pictures' own noise */
    assert_near(c.lost_nm, 0, 3 * c.lost_uncertainty_nm);
    assert_near(c.backlash_nm, 12000, 3 * c.backlash_uncertainty_nm);
}

/* So weak that the ruler is out of the picture: it stops, and says no figure. */
static void what_is_lost_from_sight_has_no_figure(void **state)
{
    (void)state;
    struct seen s = {0};
    struct calibration c;
    calibrate("motor_strength: 0.0755, depth_mm: 2.5", &s, &c);
    const struct calibration_way *last = &c.ways[c.way_count - 1];
    printf("measured: sight was lost in way %d, of %.0f um\n", c.way_count, (double)last->length_nm / 1000);
    assert_true(c.way_count < CALIBRATE_WAYS);
    assert_false(last->seen);
    assert_true(last->lost);
    assert_true(isnan(c.lost_nm));
    assert_true(isnan(c.repeat_nm));
}

/* The set is pushed before the fifth way: by less than can be told for sure, and by more. */
static void a_push_is_told_in_the_way_where_it_happened(void **state)
{
    (void)state;
    static const double pushes_um[] = {2, 20};
    for (int k = 0; k < 2; k++) {
        struct seen s = {.push_at = FIRST_LOOK + 5, .push_um = pushes_um[k]};
        struct calibration c;
        calibrate("motor_strength: 1", &s, &c);
        assert_int_equal(c.way_count, CALIBRATE_WAYS);
        printf("measured: a push of %.0f um is told as %.2f um, said %.2f\n", pushes_um[k],
               c.ways[4].short_nm / 1000, c.ways[4].uncertainty_nm / 1000);
        assert_near(c.ways[4].short_nm, pushes_um[k] * 1000, 3 * c.ways[4].uncertainty_nm);
        for (int32_t i = 0; i < CALIBRATE_WAYS; i++)
            assert_int_equal(c.ways[i].lost, k == 1 && i == 4);
        assert_near(c.lost_nm, -pushes_um[k] * 1000, 3 * c.lost_uncertainty_nm);
    }
}

static void how_well_a_place_is_met_again_is_told(void **state)
{
    (void)state;
    static const char *const scenes[] = {"scatter_um: 1", "scatter_um: 2.5"};
    for (int k = 0; k < 2; k++) {
        struct seen s = {0};
        struct calibration c;
        calibrate(scenes[k], &s, &c);
        const double truth = repeat_of(&s);
        printf("measured: %s: a place was met again within %.2f um, told %.2f, said %.2f\n", scenes[k],
               truth / 1000, c.repeat_nm / 1000, c.repeat_uncertainty_nm / 1000);
        assert_near(c.repeat_nm, truth, 3 * c.repeat_uncertainty_nm + 500);
        for (int32_t i = 0; i < c.way_count; i++)
            assert_false(c.ways[i].lost);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_weak_motor_is_found_way_by_way),
        cmocka_unit_test(a_motor_that_just_follows_is_not_blamed),
        cmocka_unit_test(what_is_lost_from_sight_has_no_figure),
        cmocka_unit_test(a_push_is_told_in_the_way_where_it_happened),
        cmocka_unit_test(how_well_a_place_is_met_again_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
