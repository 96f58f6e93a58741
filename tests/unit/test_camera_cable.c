/* A camera fired by the rail's controller: what the contacts do, measured at the controller's pins, whatever
 * befalls the line meanwhile. The rules are our own (no published source): the contacts close once for each
 * release that the host asked for and that was answered or shown by the controller's count, and never on a
 * guess. The truth is the times at the pins; nothing here asks the code under test how often it fired. */
#include "tests/support/test.h"

#include "device/camera_cable.h"
#include "staddle/wire.h"
#include "tests/support/rail_rig.h"

#define PRESSES_MOST 16

struct pins {
    struct rig *rig;
    unsigned now;
    int presses; /* of the full contact */
    int64_t half_us[PRESSES_MOST], full_us[PRESSES_MOST], open_us[PRESSES_MOST];
};
static struct pins pins; /* the rig keeps the argument of the controller's calls for itself */

static void on_outputs(void *arg, unsigned outputs)
{
    const unsigned was = pins.now;
    const int64_t now = pins.rig ? sched_now_us(((struct rig *)arg)->sched) : 0;
    pins.now = outputs;
    if (pins.presses == PRESSES_MOST) return;
    if (outputs & ~was & WIRE_HALF_PRESSED) pins.half_us[pins.presses] = now;
    if (outputs & ~was & WIRE_FULL_PRESSED) pins.full_us[pins.presses] = now;
    if (~outputs & was & WIRE_FULL_PRESSED) pins.open_us[pins.presses++] = now;
}

struct bench_of {
    struct rig *rig;
    struct camera_spec spec;
    struct camera *camera;
};

static void open_bench(struct bench_of *b, int64_t exposure_us)
{
    struct err why = {0};
    memset(&pins, 0, sizeof pins);
    *b = (struct bench_of){
        .spec = {
            .shutter_lag_us = 50000, .half_press_us = 300000, .press_us = 100000, .bulb_from_us = 1000000}};
    b->rig = rig_open(&(struct rig_opts){.native.outputs = on_outputs});
    pins.rig = b->rig;
    assert_true(rig_until(b->rig, AXIS_REST, 5000000));
    rig_run_us(b->rig, 600000); /* a look or two at rest */
    const struct camera_cable_opts o = {.sched = b->rig->sched, .spec = &b->spec, .axis = b->rig->axis};
    assert_int_equal(camera_cable_open(&o, &b->camera, &why), 0);
    assert_int_equal(camera_set(b->camera, &(struct camera_settings){.exposure_us = exposure_us}, &why), 0);
    assert_int_equal(camera_arm(b->camera, &why), 0);
}

static void close_bench(struct bench_of *b)
{
    camera_close(b->camera);
    pins.rig = NULL;
    rig_close(b->rig);
}

static void fire(struct bench_of *b, uint64_t token)
{
    struct err why = {0};
    if (camera_trigger(b->camera, token, &why)) fail_msg("%s", why.text);
}

/* The last event of that token within `us`; remarks are counted apart. */
static enum camera_event_kind last_event(struct bench_of *b, int64_t us, int *remarks,
                                         struct camera_event *exposed)
{
    struct camera_event ev;
    enum camera_event_kind last = CAMERA_NOTHING;
    rig_run_us(b->rig, us);
    for (;;) {
        assert_int_equal(camera_next_event(b->camera, &ev, NULL), 0);
        if (ev.kind == CAMERA_NOTHING) return last;
        if (ev.kind == CAMERA_REMARK) {
            if (remarks) ++*remarks;
            continue;
        }
        if (ev.kind == CAMERA_EXPOSED && exposed) *exposed = ev;
        last = ev.kind;
    }
}

/* Wanted: full - half = half_press, open - full = press, to a millisecond (the wire counts in those). */
static void assert_contacts(int n, int64_t half_us, int64_t held_us)
{
    assert_true(n < pins.presses);
    const int64_t half = pins.full_us[n] - pins.half_us[n], held = pins.open_us[n] - pins.full_us[n];
    if (llabs(half - half_us) > 100 || llabs(held - held_us) > 100)
        fail_msg("half %lld, held %lld us", (long long)half, (long long)held);
}

static void the_contacts_close_as_long_as_the_bench_says(void **state)
{
    (void)state;
    struct bench_of b;
    struct camera_event exposed = {0};
    open_bench(&b, 250000);
    for (uint64_t token = 1; token <= 3; token++) {
        fire(&b, token);
        assert_int_equal(last_event(&b, 2000000, NULL, &exposed), CAMERA_COMPLETE);
        assert_int_equal(pins.presses, (int)token);
        assert_contacts((int)token - 1, 300000, 100000);
        /* it says when it was released, and speaks after the shutter is shut: lag and exposure later */
        assert_true(llabs(exposed.fired_us - pins.full_us[token - 1]) < 2000);
        assert_true(exposed.at_us >= pins.full_us[token - 1] + 50000 + 250000);
        assert_true(exposed.at_us < pins.full_us[token - 1] + 50000 + 250000 + 20000);
    }
    close_bench(&b);
}

/* A first press as short as any, and the exposure after it; once in doubt the mirror is let down first. */
static void the_mirror_is_raised_by_a_press_of_its_own(void **state)
{
    (void)state;
    struct bench_of b;
    open_bench(&b, 2000000);
    b.spec.mirror_up_us = 1500000;
    for (uint64_t token = 1; token <= 2; token++) {
        const int n = 2 * ((int)token - 1);
        fire(&b, token);
        assert_int_equal(last_event(&b, 6000000, NULL, NULL), CAMERA_COMPLETE);
        assert_int_equal(pins.presses, n + 2);
        assert_contacts(n, 300000, 100000);
        assert_contacts(n + 1, 300000, 2000000);
        const int64_t up_us = pins.full_us[n + 1] - pins.full_us[n];
        assert_in_range(up_us, 1500000, 2500000);
    }
    camera_remind(b.camera, 2, &(struct camera_memory){0});
    const int64_t from_us = sched_now_us(b.rig->sched);
    fire(&b, 3);
    assert_int_equal(last_event(&b, 40000000, NULL, NULL), CAMERA_COMPLETE);
    assert_int_equal(pins.presses, 6);
    assert_true(pins.half_us[4] - from_us >= 30000000);
    close_bench(&b);
}

static void a_bulb_exposure_lasts_by_the_controllers_clock(void **state)
{
    (void)state;
    struct bench_of b;
    struct camera_event exposed = {0};
    open_bench(&b, 2000000);
    fire(&b, 1);
    assert_int_equal(last_event(&b, 5000000, NULL, &exposed), CAMERA_COMPLETE);
    assert_int_equal(pins.presses, 1);
    assert_contacts(0, 300000, 2000000);
    print_message("measured: a bulb exposure of 2 s is %.4f s at the pin\n",
                  (double)(pins.open_us[0] - pins.full_us[0]) * 1e-6);
    assert_true(exposed.at_us >= pins.open_us[0] + 50000);
    close_bench(&b);
}

static void a_lost_answer_fires_once(void **state)
{
    (void)state;
    int classes[2] = {0, 0};
    for (int64_t lost_us = 20000; lost_us <= 900000; lost_us += 40000) { /* repeats, then a new beginning */
        struct bench_of b;
        open_bench(&b, 250000);
        b.rig->lose_replies = true;
        fire(&b, 1);
        rig_run_us(b.rig, lost_us);
        b.rig->lose_replies = false;
        const enum camera_event_kind last = last_event(&b, 4000000, NULL, NULL);
        const bool gone = rig_state(b.rig).phase == AXIS_GONE; /* and then nobody can tell */
        classes[gone]++;
        if (gone ? last != CAMERA_NOTHING || pins.presses > 1 : last != CAMERA_COMPLETE || pins.presses != 1)
            fail_msg("answers lost for %lld us: event %d, %d presses", (long long)lost_us, (int)last,
                     pins.presses);
        close_bench(&b);
    }
    assert_true(classes[0] > 8 && classes[1] > 4);
}

static void a_lost_request_is_sent_again_and_fires_once(void **state)
{
    (void)state;
    int classes[2] = {0, 0};
    for (int64_t lost_us = 20000; lost_us <= 900000; lost_us += 40000) {
        struct bench_of b;
        open_bench(&b, 250000);
        b.rig->lose_requests = true;
        fire(&b, 1);
        rig_run_us(b.rig, lost_us);
        assert_int_equal(pins.presses, 0);
        b.rig->lose_requests = false;
        const enum camera_event_kind last = last_event(&b, 4000000, NULL, NULL);
        const bool gone = rig_state(b.rig).phase == AXIS_GONE; /* and then nobody can tell */
        classes[gone]++;
        if (gone ? last != CAMERA_NOTHING || pins.presses > 1 : last != CAMERA_COMPLETE || pins.presses != 1)
            fail_msg("requests lost for %lld us: event %d, %d presses", (long long)lost_us, (int)last,
                     pins.presses);
        close_bench(&b);
    }
    assert_true(classes[0] > 8 && classes[1] > 4);
}

/* At any instant from before the request has come until after the contacts are open again. */
static void a_controller_that_restarts_leaves_a_doubt_and_never_fires_twice(void **state)
{
    (void)state;
    int in_doubt = 0, whole = 0;
    for (int64_t at_us = 0; at_us <= 520000; at_us += 13000) {
        struct bench_of b;
        int remarks = 0;
        int32_t held = 9;
        open_bench(&b, 250000);
        fire(&b, 1);
        rig_run_us(b.rig, at_us);
        native_rail_reset(b.rig->controller);
        assert_int_equal(pins.now & (WIRE_HALF_PRESSED | WIRE_FULL_PRESSED), 0); /* let go at once */
        const int pressed = pins.presses;
        const enum camera_event_kind last = last_event(&b, 5000000, &remarks, NULL);
        assert_int_equal(pins.presses, pressed); /* nothing is fired on a guess */
        assert_true(pressed <= 1);
        if (last == CAMERA_COMPLETE) {
            assert_contacts(0, 300000, 100000); /* only where the contacts had done what they should */
            whole++;
        } else {
            assert_int_equal(last, CAMERA_NOTHING); /* silence, with a word why */
            assert_int_equal(remarks, 1);
            in_doubt++;
        }
        assert_int_equal(camera_recount(b.camera, 1, &held, NULL), 0);
        assert_int_equal(held, -1);
        close_bench(&b);
    }
    print_message(
        "measured: restarts of the controller around a release: %d in doubt, %d whole, none fired twice\n",
        in_doubt, whole);
    assert_true(in_doubt > 20 && whole > 3);
}

static void a_cable_cut_during_bulb_lets_the_shutter_go_and_leaves_a_doubt(void **state)
{
    (void)state;
    struct bench_of b;
    int remarks = 0;
    open_bench(&b, 10000000);
    fire(&b, 1);
    rig_run_us(b.rig, 2000000);
    assert_true(pins.now & WIRE_FULL_PRESSED);
    b.rig->lose_requests = b.rig->lose_replies = true;
    rig_run_us(b.rig, 2500000);
    assert_int_equal(pins.now & (WIRE_HALF_PRESSED | WIRE_FULL_PRESSED), 0);
    assert_true(pins.open_us[0] - pins.full_us[0] < 3500000);
    b.rig->lose_requests = b.rig->lose_replies = false;
    assert_int_equal(last_event(&b, 20000000, &remarks, NULL), CAMERA_NOTHING);
    assert_int_equal(remarks, 1);
    assert_int_equal(pins.presses, 1);
    close_bench(&b);
}

/* hw-docs/wire.md: longer than the controller's own limit (65 s as delivered) is refused. */
static void an_exposure_beyond_the_controllers_limit_is_refused_unfired(void **state)
{
    (void)state;
    struct bench_of b;
    struct err why = {0};
    open_bench(&b, 70000000);
    fire(&b, 1);
    assert_int_equal(last_event(&b, 2000000, NULL, NULL), CAMERA_FAILED);
    assert_int_equal(pins.now & (WIRE_HALF_PRESSED | WIRE_FULL_PRESSED), 0);
    assert_int_equal(rig_state(b.rig).phase, AXIS_REST); /* the axis has nothing to do with that */
    assert_int_equal(camera_set(b.camera, &(struct camera_settings){.exposure_us = 700000000}, &why),
                     E_INPUT);
    close_bench(&b);
}

static void a_halt_lets_the_shutter_go(void **state)
{
    (void)state;
    struct bench_of b;
    open_bench(&b, 10000000);
    fire(&b, 1);
    rig_run_us(b.rig, 1000000);
    assert_true(pins.now & WIRE_FULL_PRESSED);
    assert_int_equal(axis_halt(b.rig->axis, NULL), 0);
    rig_run_us(b.rig, 10000);
    assert_int_equal(pins.now & (WIRE_HALF_PRESSED | WIRE_FULL_PRESSED), 0);
    assert_int_equal(last_event(&b, 15000000, NULL, NULL), CAMERA_NOTHING);
    close_bench(&b);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_contacts_close_as_long_as_the_bench_says),
        cmocka_unit_test(the_mirror_is_raised_by_a_press_of_its_own),
        cmocka_unit_test(a_bulb_exposure_lasts_by_the_controllers_clock),
        cmocka_unit_test(a_lost_answer_fires_once),
        cmocka_unit_test(a_lost_request_is_sent_again_and_fires_once),
        cmocka_unit_test(a_controller_that_restarts_leaves_a_doubt_and_never_fires_twice),
        cmocka_unit_test(a_cable_cut_during_bulb_lets_the_shutter_go_and_leaves_a_doubt),
        cmocka_unit_test(an_exposure_beyond_the_controllers_limit_is_refused_unfired),
        cmocka_unit_test(a_halt_lets_the_shutter_go),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
