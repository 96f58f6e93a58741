/* Cameras in virtual time: the contract of each, and what the simulated one does besides. (A real camera's
 * program, over an emulated link: tests/long/test_camera_contract.c.) */
#include "tests/support/test.h"

#include "base/mem.h"
#include "device/axis_rail.h"
#include "device/camera_cable.h"
#include "device/camera_folder.h"
#include "device/camera_sim.h"
#include "device/link_mem.h"
#include "image/decode.h"
#include "sim/body.h"
#include "staddle/wire.h"
#include "tests/support/camera_contract.h"

static void open_world_quiet(struct camera_subject *s, bool quiet)
{
    struct err why = {0};
    memset(s, 0, sizeof *s);
    s->bench.camera = (struct camera_spec){.kind = "simulated",
                                           .width_px = 160,
                                           .height_px = 120,
                                           .sensor_width_nm = 24000000,
                                           .shutter_lag_us = 50000};
    s->bench.axis = (struct axis_spec){
        .kind = "rail", .link = "simulated", .lead_nm = 2000000, .steps_per_rev = 200, .microsteps = 16};
    s->bench.lens = (struct lens_spec){
        .focal_length_nm = 35000000, .f_number = 2.8, .pupil_ratio = 1, .teleconverter = 1};
    s->scene.depth_nm = 2000000;
    if (quiet) s->scene.lamp_scatter_stops = s->scene.lamp_ripple = -1;
    s->sched = sched_new_virtual(&why);
    s->world = world_new(&(struct world_opts){.bench = &s->bench,
                                              .scene = &s->scene,
                                              .magnification = 4,
                                              .exposure_us = 250000,
                                              .quiet = quiet,
                                              .seed = 3},
                         &why);
    if (!s->world) print_error("%s\n", why.text);
    assert_non_null(s->world);
    world_set_travel(s->world, -5000000, 5000000);
    world_place(s->world, 1000000);
}

static void open_world(struct camera_subject *s)
{
    open_world_quiet(s, false);
}

static void open_camera(struct camera_subject *s, struct camera_sim_opts opts)
{
    opts.spec = &s->bench.camera;
    opts.sched = s->sched;
    opts.world = s->world;
    opts.seed = 3;
    struct err why = {0};
    assert_int_equal(camera_sim_open(&opts, &s->camera, &why), 0);
    camera_subject_listen(s);
}

/* One whose files another program puts into a folder. */
static void open_folder(struct camera_subject *s)
{
    static int opened;
    char name[32];
    struct err why = {0};
    snprintf(name, sizeof name, "in-%d", opened++);
    other_open(&s->other, name);
    s->other.sched = s->sched;
    s->other.world = s->world;
    s->other.lag_us = 50000;
    s->other.exposure_us = 250000;
    snprintf(s->bench.camera.folder, sizeof s->bench.camera.folder, "%s", s->other.dir);
    const struct camera_folder_opts o = {.spec = &s->bench.camera, .sched = s->sched, .eyes = &s->other.eyes};
    if (camera_folder_open(&o, &s->camera, &why)) fail_msg("%s", why.text);
    camera_subject_listen(s);
}

static void on_outputs(void *arg, unsigned outputs)
{
    const struct camera_subject *s = arg;
    if (s->body) body_contacts(s->body, outputs & WIRE_HALF_PRESSED, outputs & WIRE_FULL_PRESSED);
}

/* One whose contacts a rail's controller closes. */
static void open_cable(struct camera_subject *s)
{
    struct err why = {0};
    struct axis_state st = {0};
    open_world(s);
    s->body = body_new(
        &(struct body_opts){.sched = s->sched, .world = s->world, .lag_us = 50000, .exposure_us = 250000},
        &why);
    s->controller =
        native_rail_new(s->sched, &(struct native_rail_opts){.arg = s, .outputs = on_outputs}, &why);
    struct link *link = link_mem_open(s->sched, s->controller, NULL, &why);
    assert_non_null(link);
    if (axis_rail_open(s->sched, link, &(struct axis_rail_opts){0}, &s->axis, &why)) fail_msg("%s", why.text);
    while (st.phase != AXIS_REST) {
        assert_true(sched_step(s->sched, 10000000));
        axis_poll(s->axis, &st, NULL);
    }
    s->bench.camera.half_press_us = 300000;
    s->bench.camera.press_us = 100000;
    const struct camera_cable_opts o = {.sched = s->sched, .spec = &s->bench.camera, .axis = s->axis};
    if (camera_cable_open(&o, &s->camera, &why)) fail_msg("%s", why.text);
    camera_subject_listen(s);
}

static void close_all(struct camera_subject *s)
{
    camera_close(s->camera);
    axis_close(s->axis);
    native_rail_free(s->controller);
    body_free(s->body);
    other_close(&s->other);
    world_free(s->world);
    sched_free(s->sched);
}

static void open_loud(struct camera_subject *s)
{
    open_world(s);
    open_camera(s, (struct camera_sim_opts){0});
}

static void open_silent(struct camera_subject *s)
{
    open_world(s);
    open_camera(s, (struct camera_sim_opts){.silent_shutter = true});
}

static void open_threaded(struct camera_subject *s)
{
    open_world(s);
    open_camera(s, (struct camera_sim_opts){.render_threads = 8});
}

static void open_slow(struct camera_subject *s)
{
    open_world(s);
    open_camera(s, (struct camera_sim_opts){.object_ready_us = 2500000, .transfer_us = 9000000});
}

static void open_others(struct camera_subject *s)
{
    open_world(s);
    open_folder(s);
}

static void nobody_fires(struct camera_subject *s)
{
    s->other.idle_at = 1;
}

static int32_t released(struct camera_subject *s)
{
    const struct shot *log;
    return world_shots(s->world, &log);
}

static void times_are_those_declared(void **state)
{
    (void)state;
    struct camera_subject s;
    open_world(&s);
    open_camera(&s, (struct camera_sim_opts){0});
    camera_subject_ready(&s);
    int64_t t0 = sched_now_us(s.sched);
    camera_trigger(s.camera, 5, NULL);
    assert_int_equal(camera_subject_expect(&s, CAMERA_EXPOSED, 5).at_us, t0 + 50000 + 250000);
    struct camera_event ev = camera_subject_expect(&s, CAMERA_OBJECT, 5);
    assert_int_equal(ev.at_us, t0 + 300000 + 300000);
    camera_subject_expect(&s, CAMERA_COMPLETE, 5);
    camera_fetch(s.camera, 5, &ev.object, NULL);
    ev = camera_subject_expect(&s, CAMERA_FETCHED, 5);
    assert_int_equal(ev.at_us, t0 + 600000 + 600000);
    mem_free(ev.bytes);
    const struct shot *log; /* the truth: when the shutter was open */
    assert_int_equal(world_shots(s.world, &log), 1);
    assert_int_equal(log[0].open_us, t0 + 50000);
    assert_int_equal(log[0].shut_us, t0 + 300000);
    close_all(&s);
}

static void settings_are_checked(void **state)
{
    (void)state;
    struct camera_subject s;
    struct err why;
    open_world(&s);
    open_camera(&s, (struct camera_sim_opts){0});
    assert_int_equal(camera_arm(s.camera, &why), E_STATE);
    assert_int_equal(camera_set(s.camera, &(struct camera_settings){.exposure_us = 0}, &why), E_INPUT);
    assert_int_equal(camera_set(s.camera, &(struct camera_settings){.exposure_us = 1, .iso = NAN}, &why),
                     E_INPUT);
    close_all(&s);
}

static struct camera_event shoot(struct camera_subject *s, uint64_t token)
{
    assert_int_equal(camera_trigger(s->camera, token, NULL), 0);
    struct camera_event ev = camera_subject_expect_exposure(s, token);
    assert_int_equal(camera_fetch(s->camera, token, &ev.object, NULL), 0);
    return camera_subject_expect(s, CAMERA_FETCHED, token);
}

static void pixels(struct camera_event *ev, struct image *out)
{
    memset(out, 0, sizeof *out);
    assert_int_equal(image_decode_luma("frame", ev->bytes, (size_t)ev->byte_count, out, NULL, NULL), 0);
    mem_free(ev->bytes);
}

static bool equal(const struct image *a, const struct image *b)
{
    return memcmp(a->luma, b->luma, (size_t)a->width_px * (size_t)a->height_px) == 0;
}

/* Noise comes from (seed, token), never from the order of calls or the number of threads. The world is still,
 * so that nothing but the noise tells two frames apart (and the time in the file, which is not looked at). */
static void the_same_token_gives_the_same_noise(void **state)
{
    (void)state;
    struct camera_subject a, b;
    struct image one, other, late;
    struct camera_event ev;
    open_world_quiet(&a, true);
    open_camera(&a, (struct camera_sim_opts){.render_threads = 1});
    camera_subject_ready(&a);
    ev = shoot(&a, 77);
    pixels(&ev, &one);
    ev = shoot(&a, 78);
    pixels(&ev, &other);
    open_world_quiet(&b, true);
    open_camera(&b, (struct camera_sim_opts){.render_threads = 4});
    camera_subject_ready(&b);
    ev = shoot(&b, 79);
    mem_free(ev.bytes);
    ev = shoot(&b, 77);
    pixels(&ev, &late);
    assert_true(equal(&one, &late));
    assert_false(equal(&one, &other));
    image_clear(&one);
    image_clear(&other);
    image_clear(&late);
    close_all(&a);
    close_all(&b);
}

static void a_shutter_that_stays_shut_fails_and_can_be_fired_again(void **state)
{
    (void)state;
    struct camera_subject s;
    const struct shot *log;
    open_world(&s);
    open_camera(&s, (struct camera_sim_opts){.faults.fail_at = 1});
    camera_subject_ready(&s);
    camera_trigger(s.camera, 1, NULL);
    assert_true(camera_subject_expect(&s, CAMERA_FAILED, 1).why.code != 0);
    assert_int_equal(world_shots(s.world, &log), 0);
    mem_free(shoot(&s, 2).bytes);
    assert_int_equal(world_shots(s.world, &log), 1);
    close_all(&s);
}

static void a_lost_object_is_a_complete_without_one(void **state)
{
    (void)state;
    struct camera_subject s;
    int32_t held = 9;
    open_world(&s);
    open_camera(&s, (struct camera_sim_opts){.faults.lose_at = 1});
    camera_subject_ready(&s);
    camera_trigger(s.camera, 1, NULL);
    camera_subject_expect(&s, CAMERA_EXPOSED, 1);
    camera_subject_expect(&s, CAMERA_COMPLETE, 1);
    assert_int_equal(camera_recount(s.camera, 1, &held, NULL), 0);
    assert_int_equal(held, 0);
    mem_free(shoot(&s, 2).bytes);
    close_all(&s);
}

static void after_a_silence_recount_tells_what_is_held(void **state)
{
    (void)state;
    struct camera_subject s;
    int32_t held = 9;
    open_world(&s);
    open_camera(&s, (struct camera_sim_opts){.faults.mute_at = 1});
    camera_subject_ready(&s);
    camera_trigger(s.camera, 1, NULL);
    camera_subject_expect(&s, CAMERA_EXPOSED, 1);
    assert_int_equal(camera_subject_next(&s, sched_now_us(s.sched) + 60000000).kind, CAMERA_NOTHING);
    assert_int_equal(camera_recount(s.camera, 1, &held, NULL), 0);
    assert_int_equal(held, 1);
    mem_free(shoot(&s, 2).bytes);
    close_all(&s);
}

static void a_broken_transfer_may_be_asked_for_again(void **state)
{
    (void)state;
    struct camera_subject s;
    open_world(&s);
    open_camera(&s, (struct camera_sim_opts){.faults.transfer_at = 1});
    camera_subject_ready(&s);
    camera_trigger(s.camera, 1, NULL);
    struct camera_event ev = camera_subject_expect_exposure(&s, 1);
    camera_fetch(s.camera, 1, &ev.object, NULL);
    struct camera_event broken = camera_subject_expect(&s, CAMERA_FETCHED, 1);
    assert_true(broken.why.code != 0 && !broken.bytes);
    assert_int_equal(camera_fetch(s.camera, 1, &ev.object, NULL), 0);
    struct camera_event got = camera_subject_expect(&s, CAMERA_FETCHED, 1);
    assert_int_equal(got.why.code, 0);
    assert_int_equal(got.byte_count, ev.object.bytes);
    mem_free(got.bytes);
    close_all(&s);
}

static void a_camera_that_is_gone_refuses_everything(void **state)
{
    (void)state;
    struct camera_subject s;
    struct err why;
    struct camera_facts facts;
    open_world(&s);
    open_camera(&s, (struct camera_sim_opts){.faults.gone_at = 2});
    camera_subject_ready(&s);
    mem_free(shoot(&s, 1).bytes);
    camera_trigger(s.camera, 2, NULL);
    camera_subject_expect(&s, CAMERA_GONE, 2);
    assert_int_equal(camera_trigger(s.camera, 3, &why), E_IO);
    assert_int_equal(camera_describe(s.camera, &facts, &why), E_IO);
    assert_int_equal(camera_subject_next(&s, sched_now_us(s.sched) + 60000000).kind, CAMERA_NOTHING);
    close_all(&s);
}

static void a_misfire_is_a_dark_frame(void **state)
{
    (void)state;
    struct camera_subject s;
    open_world(&s);
    open_camera(&s, (struct camera_sim_opts){.faults.dark_at = 2});
    assert_int_equal(
        camera_set(s.camera, &(struct camera_settings){.exposure_us = 5000, .flash = true}, NULL), 0);
    assert_int_equal(camera_arm(s.camera, NULL), 0);
    double mean[2];
    for (int i = 0; i < 2; i++) {
        struct image pic = {0};
        struct camera_event ev = shoot(&s, (uint64_t)i + 1);
        assert_int_equal(image_decode_luma("frame", ev.bytes, (size_t)ev.byte_count, &pic, NULL, NULL), 0);
        mean[i] = 0;
        for (int k = 0; k < pic.width_px * pic.height_px; k++)
            mean[i] += pic.luma[k];
        mean[i] /= pic.width_px * pic.height_px;
        image_clear(&pic);
        mem_free(ev.bytes);
    }
    assert_true(mean[0] > 40 && mean[1] < 10);
    close_all(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(times_are_those_declared),
        cmocka_unit_test(settings_are_checked),
        cmocka_unit_test(the_same_token_gives_the_same_noise),
        cmocka_unit_test(a_shutter_that_stays_shut_fails_and_can_be_fired_again),
        cmocka_unit_test(a_lost_object_is_a_complete_without_one),
        cmocka_unit_test(after_a_silence_recount_tells_what_is_held),
        cmocka_unit_test(a_broken_transfer_may_be_asked_for_again),
        cmocka_unit_test(a_camera_that_is_gone_refuses_everything),
        cmocka_unit_test(a_misfire_is_a_dark_frame),
    };
    static const struct camera_case cases[] = {
        {"says when it has exposed", open_loud, close_all, released, NULL, true, 60000000},
        {"has a silent shutter", open_silent, close_all, released, NULL, true, 60000000},
        {"renders with eight threads", open_threaded, close_all, released, NULL, true, 60000000},
        {"is slow", open_slow, close_all, released, NULL, true, 60000000},
        {"is fired by others", open_others, close_all, released, nobody_fires, false, 60000000},
        {"is fired over a cable", open_cable, close_all, released, NULL, false, 60000000},
    };
    const int failed = camera_contract(cases, (int)(sizeof cases / sizeof *cases));
    return failed + cmocka_run_group_tests(tests, NULL, NULL);
}
