/* A camera through the unmodified libgphoto2, which talks PTP over IP to an emulated camera (tests/emulator):
 * frames in order, and each fault: nothing paired with the wrong release, nothing lost that the camera kept,
 * settings applied again. Which release a file is of says the file itself, how often the shutter fired the
 * emulator. Real time, as the library has its own clocks. */
#include "tests/support/test.h"

#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#include "base/mem.h"
#include "device/camera_gphoto.h"
#include "tests/emulator/ptp_ip.h"
#include "tests/emulator/ptp_picture.h"
#include "tests/support/emulated.h"
#include "tests/support/shell.h"

struct subject {
    struct ptp_ip *ip;
    struct sched *sched;
    struct camera *camera;
    struct camera_spec spec;
    char port[64];
    bool noticed;
};

static void on_notice(void *arg)
{
    ((struct subject *)arg)->noticed = true;
}

static void open_with(struct subject *s, const struct ptp_camera_opts *emulated)
{
    struct err why = {0};
    char program[512];
    *s = (struct subject){.spec = {.width_px = PTP_PICTURE_WIDTH, .height_px = PTP_PICTURE_HEIGHT}};
    s->ip = ptp_ip_start(emulated);
    snprintf(s->port, sizeof s->port, "ptpip:127.0.0.1:%d:%d", ptp_ip_port(s->ip), ptp_ip_port(s->ip));
    snprintf(program, sizeof program, "%s-camera", staddle_program());
    s->sched = sched_new_real(&why);
    const int rc = camera_gphoto_open(
        &(struct camera_gphoto_opts){
            .sched = s->sched, .spec = &s->spec, .port = s->port, .program = program, .silence_us = 2500000},
        &s->camera, &why);
    if (rc) fail_msg("%s", why.text);
    s->camera->notice = on_notice;
    s->camera->notice_arg = s;
}

static void close_all(struct subject *s)
{
    camera_close(s->camera);
    sched_free(s->sched);
    ptp_ip_stop(s->ip);
}

static void ready(struct subject *s)
{
    struct err why = {0};
    if (camera_set(s->camera, &(struct camera_settings){.exposure_us = 16667}, &why) ||
        camera_arm(s->camera, &why))
        fail_msg("%s", why.text);
}

static struct camera_event next(struct subject *s, int64_t most_us)
{
    struct camera_event ev;
    const int64_t until_us = sched_now_us(s->sched) + most_us;
    for (;;) {
        assert_int_equal(camera_next_event(s->camera, &ev, NULL), 0);
        if (ev.kind != CAMERA_NOTHING || sched_now_us(s->sched) >= until_us) return ev;
        sched_step(s->sched, until_us);
    }
}

static struct camera_event expect(struct subject *s, enum camera_event_kind kind, uint64_t token)
{
    struct camera_event ev = next(s, 10000000);
    if (ev.kind != kind) print_error("event %d, not %d: %s\n", (int)ev.kind, (int)kind, ev.why.text);
    assert_int_equal(ev.kind, kind);
    assert_int_equal(ev.token, token);
    return ev;
}

static int32_t releases(struct subject *s)
{
    const int32_t n = ptp_ip_lock(s->ip)->release_count;
    ptp_ip_unlock(s->ip);
    return n;
}

/* Fetches, and compares byte by byte with what the camera holds. Returns which release it is. */
static int32_t fetched(struct subject *s, uint64_t token, const struct camera_object *o)
{
    struct err why = {0};
    if (camera_fetch(s->camera, token, o, &why)) fail_msg("%s", why.text);
    struct camera_event ev = expect(s, CAMERA_FETCHED, token);
    if (ev.why.code) fail_msg("%s", ev.why.text);
    const struct ptp_camera *c = ptp_ip_lock(s->ip);
    bool equal = false;
    for (int32_t i = 0; i < c->object_count; i++)
        equal = equal || (strstr(o->name, c->objects[i].name) && c->objects[i].count == ev.byte_count &&
                          !memcmp(c->objects[i].bytes, ev.bytes, c->objects[i].count));
    ptp_ip_unlock(s->ip);
    assert_true(equal);
    const int32_t release = ptp_picture_release(ev.bytes, (size_t)ev.byte_count, NULL);
    mem_free(ev.bytes);
    return release;
}

static int32_t shoot(struct subject *s, uint64_t token)
{
    struct err why = {0};
    if (camera_trigger(s->camera, token, &why)) fail_msg("%s", why.text);
    struct camera_event ev = expect(s, CAMERA_OBJECT, token);
    expect(s, CAMERA_COMPLETE, token);
    return fetched(s, token, &ev.object);
}

static void frames_come_in_order_from_every_family(void **state)
{
    (void)state;
    for (enum ptp_family family = PTP_GENERIC; family <= PTP_NAMED_SIZES; family++) {
        struct subject s;
        struct camera_facts facts;
        open_with(&s, &(struct ptp_camera_opts){.family = family});
        assert_int_equal(camera_describe(s.camera, &facts, NULL), 0);
        assert_string_equal(facts.model, family == PTP_GENERIC       ? "Plain Camera"
                                         : family == PTP_RANGE_DRIVE ? "Range Drive"
                                                                     : "Named Sizes");
        ready(&s);
        for (int32_t i = 1; i <= 5; i++)
            assert_int_equal(shoot(&s, (uint64_t)i), i);
        assert_int_equal(releases(&s), 5);
        close_all(&s);
    }
}

static void a_raw_and_its_jpeg_are_one_frame(void **state)
{
    (void)state;
    struct subject s;
    open_with(&s, &(struct ptp_camera_opts){.raw = true});
    ready(&s);
    for (uint64_t token = 1; token <= 3; token++) {
        assert_int_equal(camera_trigger(s.camera, token, NULL), 0);
        const struct camera_event raw = expect(&s, CAMERA_OBJECT, token),
                                  jpeg = expect(&s, CAMERA_OBJECT, token);
        assert_int_equal(raw.object.role, FILE_RAW);
        assert_int_equal(jpeg.object.role, FILE_JPEG);
        expect(&s, CAMERA_COMPLETE, token);
        assert_int_equal(fetched(&s, token, &raw.object), (int)token);
        assert_int_equal(fetched(&s, token, &jpeg.object), (int)token);
    }
    close_all(&s);
}

/* 1/4 s is meant by 0.25, f/5.6 by 5.6: nominal values (ISO 2720; from memory). */
static void settings_are_met_by_value_and_others_refused_with_the_nearest(void **state)
{
    (void)state;
    struct subject s;
    struct err why = {0};
    open_with(&s, &(struct ptp_camera_opts){0});
    const struct camera_settings good = {.exposure_us = 500000, .f_number = 8, .iso = 200};
    assert_int_equal(camera_set(s.camera, &good, &why), 0);
    const struct ptp_camera *c = ptp_ip_lock(s.ip);
    assert_int_equal(c->exposure_time, 5000);
    assert_int_equal(c->f_number, 800);
    assert_int_equal(c->iso, 200);
    ptp_ip_unlock(s.ip);
    assert_int_equal(camera_set(s.camera, &(struct camera_settings){.exposure_us = 700000}, &why),
                     E_UNSUPPORTED);
    assert_non_null(strstr(why.text, "0.7 s; the nearest is 0.5000s"));
    assert_int_equal(
        camera_set(s.camera, &(struct camera_settings){.exposure_us = 500000, .f_number = 22}, &why),
        E_UNSUPPORTED);
    assert_non_null(strstr(why.text, "f/22; the nearest is f/16"));
    close_all(&s);
}

static void a_release_that_is_refused_fails_or_is_counted_as_none(void **state)
{
    (void)state;
    const struct ptp_faults faults[] = {{.refuse_release = 2}, {.full_release = 2}, {.busy_release = 1}};
    const enum errc codes[] = {E_IO, E_IO, E_TIMEOUT};
    for (size_t i = 0; i < 3; i++) {
        struct subject s;
        open_with(&s, &(struct ptp_camera_opts){.faults = faults[i]});
        ready(&s);
        uint64_t token = 1;
        if (i < 2) assert_int_equal(shoot(&s, token++), 1);
        assert_int_equal(camera_trigger(s.camera, token, NULL), 0);
        struct camera_event ev = expect(&s, CAMERA_FAILED, token);
        assert_true(ev.why.text[0] != 0);
        assert_int_equal(ev.why.code, codes[i]);
        assert_int_equal(releases(&s), (int)token - 1);
        const int32_t before = releases(&s);
        assert_int_equal(shoot(&s, token + 1), before + 1);
        close_all(&s);
    }
}

/* The library has no word of its own for it: the card is asked. */
static void a_full_card_is_told_and_left_to_a_person(void **state)
{
    (void)state;
    for (enum ptp_family family = PTP_GENERIC; family <= PTP_NAMED_SIZES; family++) {
        struct subject s;
        open_with(&s, &(struct ptp_camera_opts){.family = family, .shots_left = 1});
        ready(&s);
        assert_int_equal(shoot(&s, 1), 1);
        assert_int_equal(camera_trigger(s.camera, 2, NULL), 0);
        const struct camera_event ev = expect(&s, CAMERA_FAILED, 2);
        assert_int_equal(ev.why.code, E_STATE);
        assert_non_null(strstr(ev.why.text, "its card is full; put an empty one in"));
        ptp_ip_lock(s.ip)->opts.shots_left = 100;
        ptp_ip_unlock(s.ip);
        assert_int_equal(shoot(&s, 3), 2);
        close_all(&s);
    }
}

/* Fired, and answered as if not: what comes of it is not taken for the next frame. (For one family the
 * library itself fires once more, and takes the first frame for the one that was asked for.) */
static void what_a_refused_release_left_passes_for_no_other_frame(void **state)
{
    (void)state;
    for (enum ptp_family family = PTP_GENERIC; family <= PTP_NAMED_SIZES; family++) {
        struct subject s;
        open_with(&s, &(struct ptp_camera_opts){.family = family, .faults.lie_release = 2});
        ready(&s);
        assert_int_equal(shoot(&s, 1), 1);
        assert_int_equal(camera_trigger(s.camera, 2, NULL), 0);
        if (family == PTP_RANGE_DRIVE) {
            expect(&s, CAMERA_OBJECT, 2);
            expect(&s, CAMERA_COMPLETE, 2);
        } else {
            expect(&s, CAMERA_FAILED, 2);
        }
        struct timespec while_it_is_stored = {.tv_nsec = 400000000};
        nanosleep(&while_it_is_stored, NULL);
        assert_int_equal(camera_trigger(s.camera, 3, NULL), 0);
        expect(&s, CAMERA_REMARK, 0);
        struct camera_event ev = expect(&s, CAMERA_OBJECT, 3);
        expect(&s, CAMERA_COMPLETE, 3);
        assert_int_equal(fetched(&s, 3, &ev.object), releases(&s));
        close_all(&s);
    }
}

static void an_exposure_without_an_object_is_complete_without_one(void **state)
{
    (void)state;
    struct subject s;
    open_with(&s, &(struct ptp_camera_opts){.faults.lose_object = 1});
    ready(&s);
    assert_int_equal(camera_trigger(s.camera, 1, NULL), 0);
    expect(&s, CAMERA_COMPLETE, 1);
    assert_int_equal(shoot(&s, 2), 2);
    close_all(&s);
}

static void complete_may_come_before_the_object(void **state)
{
    (void)state;
    struct subject s;
    open_with(&s, &(struct ptp_camera_opts){.faults.complete_first = 2});
    ready(&s);
    for (int32_t i = 1; i <= 3; i++)
        assert_int_equal(shoot(&s, (uint64_t)i), i);
    close_all(&s);
}

/* The shutter has fired and nothing tells: the card does. */
static void found_on_the_card(const struct ptp_faults *faults)
{
    struct subject s;
    struct camera_object held[2];
    int32_t count = 9;
    open_with(&s, &(struct ptp_camera_opts){.faults = *faults});
    ready(&s);
    assert_int_equal(shoot(&s, 1), 1);
    assert_int_equal(camera_trigger(s.camera, 2, NULL), 0);
    const struct camera_event ev = expect(&s, CAMERA_OBJECT, 2);
    expect(&s, CAMERA_COMPLETE, 2);
    assert_int_equal(camera_held(s.camera, 2, held, 2, &count, NULL), 0);
    assert_int_equal(count, 1);
    assert_string_equal(held[0].name, ev.object.name);
    assert_int_equal(fetched(&s, 2, &ev.object), 2);
    assert_int_equal(shoot(&s, 3), 3);
    assert_int_equal(releases(&s), 3);
    const struct ptp_camera *c = ptp_ip_lock(s.ip); /* settings were applied again where need be */
    assert_int_equal(c->exposure_time, 166);
    ptp_ip_unlock(s.ip);
    close_all(&s);
}

static void a_mute_release_is_found_on_the_card(void **state)
{
    (void)state;
    found_on_the_card(&(struct ptp_faults){.mute_release = 2});
}

static void a_link_that_drops_after_the_release_loses_nothing(void **state)
{
    (void)state;
    found_on_the_card(&(struct ptp_faults){.drop_release = 2});
}

static void a_library_that_hangs_is_replaced(void **state)
{
    (void)state;
    found_on_the_card(&(struct ptp_faults){.hang_release = 2});
}

static void a_broken_transfer_is_asked_for_again(void **state)
{
    (void)state;
    struct subject s;
    struct err why = {0};
    open_with(&s, &(struct ptp_camera_opts){.faults.drop_transfer = 2});
    ready(&s);
    assert_int_equal(shoot(&s, 1), 1);
    assert_int_equal(camera_trigger(s.camera, 2, NULL), 0);
    struct camera_event ev = expect(&s, CAMERA_OBJECT, 2), broken;
    expect(&s, CAMERA_COMPLETE, 2);
    assert_int_equal(camera_fetch(s.camera, 2, &ev.object, NULL), 0);
    broken = expect(&s, CAMERA_FETCHED, 2);
    assert_true(broken.why.code != 0 && !broken.bytes);
    for (int again = 0; again < 3; again++) {
        if (camera_fetch(s.camera, 2, &ev.object, &why)) fail_msg("%s", why.text);
        broken = expect(&s, CAMERA_FETCHED, 2);
        if (!broken.why.code) break;
    }
    assert_int_equal(broken.why.code, 0);
    assert_int_equal(ptp_picture_release(broken.bytes, (size_t)broken.byte_count, NULL), 2);
    mem_free(broken.bytes);
    assert_int_equal(shoot(&s, 3), 3);
    close_all(&s);
}

static void a_camera_that_is_unplugged_is_gone(void **state)
{
    (void)state;
    struct subject s;
    struct err why;
    int32_t count;
    open_with(&s, &(struct ptp_camera_opts){0});
    ready(&s);
    assert_int_equal(shoot(&s, 1), 1);
    ptp_ip_unplug(s.ip);
    assert_int_equal(camera_trigger(s.camera, 2, &why), 0);
    struct camera_event ev = next(&s, 10000000);
    if (ev.kind == CAMERA_NOTHING) {
        assert_int_not_equal(camera_recount(s.camera, 2, &count, &why), 0);
        ev = next(&s, 1000000);
    }
    assert_int_equal(ev.kind, CAMERA_GONE);
    assert_true(ev.why.text[0] != 0);
    assert_int_equal(camera_trigger(s.camera, 3, &why), E_IO);
    close_all(&s);
}

static void nobody_there_is_said(void **state)
{
    (void)state;
    struct subject s;
    struct err why = {0};
    struct camera *camera;
    char program[512];
    open_with(&s, &(struct ptp_camera_opts){0});
    camera_close(s.camera); /* it is held by one only */
    s.camera = NULL;
    ptp_ip_refuse(s.ip, true);
    snprintf(program, sizeof program, "%s-camera", staddle_program());
    struct camera_gphoto_opts opts = {.sched = s.sched, .spec = &s.spec, .port = s.port, .program = program};
    assert_int_not_equal(camera_gphoto_open(&opts, &camera, &why), 0);
    assert_non_null(strstr(why.text, ";"));
    opts.program = "/nowhere/staddle-camera";
    assert_int_equal(camera_gphoto_open(&opts, &camera, &why), E_IO);
    assert_non_null(strstr(why.text, "install"));
    close_all(&s);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(frames_come_in_order_from_every_family),
        cmocka_unit_test(a_raw_and_its_jpeg_are_one_frame),
        cmocka_unit_test(settings_are_met_by_value_and_others_refused_with_the_nearest),
        cmocka_unit_test(a_release_that_is_refused_fails_or_is_counted_as_none),
        cmocka_unit_test(a_full_card_is_told_and_left_to_a_person),
        cmocka_unit_test(what_a_refused_release_left_passes_for_no_other_frame),
        cmocka_unit_test(an_exposure_without_an_object_is_complete_without_one),
        cmocka_unit_test(complete_may_come_before_the_object),
        cmocka_unit_test(a_mute_release_is_found_on_the_card),
        cmocka_unit_test(a_link_that_drops_after_the_release_loses_nothing),
        cmocka_unit_test(a_library_that_hangs_is_replaced),
        cmocka_unit_test(a_broken_transfer_is_asked_for_again),
        cmocka_unit_test(a_camera_that_is_unplugged_is_gone),
        cmocka_unit_test(nobody_there_is_said),
    };
    return cmocka_run_group_tests(tests, emulated_private_home, NULL);
}
