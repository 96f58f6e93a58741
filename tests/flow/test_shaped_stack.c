/* A stack on a bench whose ringing is known, beside one where nobody knows it: shorter, and as sharp. The
 * simulated bench rings at 12 Hz, zeta 0.03, whatever the bench file says. Sharpness is the Laplacian's
 * variance at full scale, frame by frame: shaking by a third of a pixel costs it several percent. */
#include "tests/support/test.h"

#include <jansson.h>

#include "tests/support/program.h"

#define SLICES 12

static void write_text(const char *name, const char *text)
{
    char path[600];
    snprintf(path, sizeof path, "%s/%s", test_folder(), name);
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
}

struct shot {
    double duration_s, planned_s;
    double sharpness[SLICES + 5];
    size_t frames;
};

static json_t *object_of(struct said *s)
{
    json_t *json = json_loads(s->out, 0, NULL);
    if (!json) print_error("%s%s", s->out, s->err);
    assert_non_null(json);
    said_clear(s);
    return json;
}

static struct shot shoot(const char *name, const char *ring, const char *job_more)
{
    struct shot out = {0};
    char text[1000];
    snprintf(
        text, sizeof text,
        "camera: {width_px: 360, height_px: 240, sensor_width_mm: 4.8, shutter_lag_ms: 50, busy_s: 0.9}\n"
        "axis: {lead_mm: 4, steps_per_rev: 200, microsteps: 16, clearance_mm: 8, backlash_um: 20%s}\n"
        "lens: {focal_length_mm: 35, f_number: 2.8}\n",
        ring);
    write_text("b.yaml", text);
    snprintf(text, sizeof text,
             "bench: b.yaml\nmagnification: 4\ndepth_mm: 1\nslices: %d\nexposure_s: 0.01\n%sscene: "
             "{lateral_share: 1, sway_um: off, hum_um: off, noise: off}\n",
             SLICES, job_more);
    write_text("j.yaml", text);
    struct said s = program("plan %s/j.yaml --json", test_folder());
    json_t *json = object_of(&s);
    out.planned_s = json_number_value(json_object_get(json_object_get(json, "timeline"), "total_s"));
    json_decref(json);
    s = program("simulate %s/j.yaml --stack %s/%s --json", test_folder(), test_folder(), name);
    json = object_of(&s);
    out.duration_s = json_number_value(json_object_get(json, "duration_s"));
    json_decref(json);
    s = program("measure $(ls %s/%s/frames/s*.jpg) --json", test_folder(), name);
    json = object_of(&s);
    size_t i;
    json_t *frame;
    json_array_foreach (json_object_get(json, "frames"), i, frame)
        if (out.frames < SLICES + 5)
            out.sharpness[out.frames++] =
                json_number_value(json_array_get(json_object_get(frame, "sharpness"), 0));
    json_decref(json);
    assert_int_equal(out.frames, SLICES + 4);
    return out;
}

struct ratio {
    double least, mean;
};

static struct ratio sharper(const struct shot *a, const struct shot *than)
{
    struct ratio r = {1e9, 0};
    for (size_t i = 0; i < a->frames; i++) {
        r.least = fmin(r.least, a->sharpness[i] / than->sharpness[i]);
        r.mean += a->sharpness[i] / than->sharpness[i] / (double)a->frames;
    }
    return r;
}

static void a_known_ringing_saves_time_and_costs_no_sharpness(void **state)
{
    (void)state;
    const struct shot still = shoot("still", "", "settle_ms: 5000\n"), usual = shoot("usual", "", ""),
                      known = shoot("known", ", ring_hz: 12, ring_zeta: 0.03", ""),
                      near_by = shoot("near", ", ring_hz: 13.1, ring_zeta: 0.03", ""),
                      wrong = shoot("wrong", ", ring_hz: 8, ring_zeta: 0.03", "");
    const struct ratio k = sharper(&known, &still), u = sharper(&usual, &still),
                       n = sharper(&near_by, &still), w = sharper(&wrong, &still);
    printf("measured: shapes: a stack of %d: %.1f s with the ringing known, %.1f s by ramps and a second "
           "each (planned "
           "%.1f and %.1f)\n",
           SLICES + 4, known.duration_s, usual.duration_s, known.planned_s, usual.planned_s);
    printf("measured: shapes: sharpness beside waits of 5 s, mean and least: known %.3f %.3f; a second each "
           "%.3f %.3f; known 9 "
           "%% wrong %.3f %.3f; 8 Hz taken for 12 %.3f %.3f\n",
           k.mean, k.least, u.mean, u.least, n.mean, n.least, w.mean, w.least);
    assert_true(known.duration_s <
                usual.duration_s - 0.15 * SLICES); /* the camera, busy for 0.9 s, sets the pace now */
    assert_true(known.duration_s > 0.995 * known.planned_s && known.duration_s < 1.005 * known.planned_s + 2);
    assert_true(k.mean > u.mean - 0.002 && k.mean > 0.99 && k.least > 0.94); /* the subject sways */
    assert_true(n.mean > 0.97);
    assert_true(w.mean < 0.985 && w.least < 0.9); /* so this test does see shaking */
}

/* What the job says is waited, shape or not. */
static void a_settle_of_the_job_is_kept(void **state)
{
    (void)state;
    const struct shot s = shoot("given", ", ring_hz: 12, ring_zeta: 0.03", "settle_ms: 700\n");
    assert_true(s.duration_s > 0.995 * s.planned_s && s.duration_s < 1.005 * s.planned_s + 2);
    assert_true(s.duration_s > 0.7 * (SLICES + 4));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_known_ringing_saves_time_and_costs_no_sharpness),
        cmocka_unit_test(a_settle_of_the_job_is_kept),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
